#include "tests/validation.h"

#include <cstdio>
#include <cstdlib>
#include <fstream>
#include <sstream>

namespace cohlink::validation {
namespace {

std::string quoted(const std::string& text) {
  std::string out = "\"";
  for (const char c : text) {
    if (c == '"' || c == '\\') out += '\\';
    out += c == '\n' ? ' ' : c;
  }
  return out + "\"";
}

std::string short_number(double value) {
  char buffer[32];
  std::snprintf(buffer, sizeof buffer, "%.4g", value);
  return buffer;
}

// The file as the tree names it, wherever the build stands.
std::string in_tree(const std::string& file) {
  const std::size_t at = file.rfind("tests/");
  return at == std::string::npos ? file : file.substr(at);
}

}  // namespace

void record(const std::string& claim, const std::string& source, const std::string& published,
            const std::string& measured, const char* file) {
  const char* path = std::getenv("COHLINK_VALIDATION_OUT");
  if (path == nullptr || *path == '\0') return;
  // One write a line, so that test programs running side by side do not mix their lines.
  std::ostringstream line;
  line << "{\"claim\": " << quoted(claim) << ", \"source\": " << quoted(source)
       << ", \"published\": " << quoted(published) << ", \"measured\": " << quoted(measured)
       << ", \"file\": " << quoted(in_tree(file)) << "}\n";
  std::ofstream(path, std::ios::app) << line.str() << std::flush;
}

void record(const std::string& claim, const std::string& source, double published, double measured,
            double tolerance, const std::string& unit, const char* file) {
  const std::string tail = unit.empty() ? "" : " " + unit;
  record(claim, source, short_number(published) + " ± " + short_number(tolerance) + tail,
         short_number(measured) + tail, file);
}

}  // namespace cohlink::validation
