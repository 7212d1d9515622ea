#include "sim/signal/record/sigmf.h"

#include <algorithm>
#include <cmath>
#include <filesystem>
#include <fstream>
#include <nlohmann/json.hpp>
#include <sstream>

#include "sim/signal/record/atomic_file.h"
#include "sim/signal/scenario/errors.h"
#include "sim/signal/scenario/printable.h"
#include "sim/signal/version.h"

namespace cohlink {
namespace {

namespace fs = std::filesystem;
using Json = nlohmann::ordered_json;

constexpr std::string_view kMeta = ".sigmf-meta", kData = ".sigmf-data";
// What coherent recordings need beside the members of the core: docs/capture-format.md.
constexpr const char *kExtension = "cohlink", *kCarrier = "cohlink:optical_carrier_hz",
                     *kInverted = "cohlink:spectrum_inverted", *kScale = "cohlink:ampere_per_code";

std::string content_of(const std::string& path) {
  constexpr std::uintmax_t kMost = std::uintmax_t{4} << 20;
  std::error_code error;
  if (!fs::is_regular_file(path, error)) throw InputError(path, "no such file");
  const auto size = fs::file_size(path, error);
  if (error || size > kMost) throw InputError(path, "is larger than metadata are (4 MiB)");
  std::ifstream file(path, std::ios::binary);
  std::ostringstream text;
  text << file.rdbuf();
  return text.str();
}

Json parsed(const std::string& path, const std::string& text) {
  try {
    return Json::parse(text);
  } catch (const Json::parse_error& error) {
    const auto until = text.begin() + static_cast<std::ptrdiff_t>(std::min(error.byte, text.size()));
    const auto line = 1 + std::count(text.begin(), until, '\n');
    throw InputError({path, static_cast<std::size_t>(line)}, "is no JSON from here on");
  } catch (const Json::exception&) {  // a number beyond all that double holds
    throw InputError(path, "holds a number that is too large");
  }
}

/// The members of one object, asked for by name.
class Members {
 public:
  Members(const std::string& path, const Json& object) : path_(path), object_(object) {}

  [[noreturn]] void fail(const char* member, const std::string& why) const {
    throw InputError(path_, member, why);
  }
  bool has(const char* member) const { return object_.contains(member); }
  const Json& operator[](const char* member) const {
    if (!has(member)) fail(member, "is missing");
    return object_.at(member);
  }
  std::string text(const char* member) const {
    if (!(*this)[member].is_string()) fail(member, "must be a text");
    return object_.at(member).get<std::string>();
  }
  double number(const char* member) const {
    if (!(*this)[member].is_number()) fail(member, "must be a number");
    return object_.at(member).get<double>();
  }

 private:
  const std::string& path_;
  const Json& object_;
};

/// "ci16_le": complex, whole numbers, their bits, and the order of bytes where there are several.
void read_datatype(const Members& global, SigmfRecording& recording) {
  struct Datatype {
    const char *name, *format;
    bool big;
  };
  constexpr Datatype kTypes[] = {{"ci8", "int8", false},
                                 {"ci16_le", "int16", false},
                                 {"ci16_be", "int16", true},
                                 {"cf32_le", "float32", false},
                                 {"cf32_be", "float32", true}};
  const std::string type = global.text("core:datatype");
  const auto found = std::ranges::find_if(kTypes, [&](const Datatype& t) { return type == t.name; });
  if (found == std::end(kTypes))
    global.fail("core:datatype",
                "is " + printable(type) + "; read are ci8, ci16_le, ci16_be, cf32_le and cf32_be");
  recording.format = found->format;
  recording.big_endian = found->big;
}

void read_channels(const Members& global, SigmfRecording& recording) {
  const double channels = global.has("core:num_channels") ? global.number("core:num_channels") : 1.0;
  if (channels != 1.0 && channels != 2.0)
    global.fail("core:num_channels", "must be 2, the polarisations X and Y, or 1, X alone");
  recording.channels = static_cast<std::size_t>(channels);
}

void read_sample_rate(const Members& global, SigmfRecording& recording) {
  recording.sample_rate = global.number("core:sample_rate");
  if (!(recording.sample_rate >= 1e6 && recording.sample_rate <= 1e12))
    global.fail("core:sample_rate", "must be between 1e6 and 1e12 Hz");
}

void read_scale(const Members& global, SigmfRecording& recording) {
  if (!global.has(kScale)) return;
  const Json& scale = global[kScale];
  std::array<double, 4>& values = recording.ampere_per_code.emplace();
  const bool four = scale.is_array() && scale.size() == 4;
  for (std::size_t lane = 0; lane < 4; ++lane) {
    if (four && scale[lane].is_number()) values[lane] = scale[lane].get<double>();
    if (!(values[lane] >= 1e-30 && values[lane] <= 1e30))
      global.fail(kScale, "must hold 4 numbers between 1e-30 and 1e30");
  }
}

/// One stretch without gaps.
void read_segment(const std::string& path, const Json& captures, SigmfRecording& recording) {
  const auto fail = [&](const std::string& why) { throw InputError(path, "captures", why); };
  if (!captures.is_array() || captures.empty() || !captures[0].is_object())
    fail("must be a list of objects, at least one");
  if (captures.size() > 1)
    fail("has " + std::to_string(captures.size()) + " segments; read are recordings of one, without gaps");
  const Members segment(path, captures[0]);
  if (segment.number("core:sample_start") != 0.0)
    segment.fail("core:sample_start", "must be 0: the segment is the whole recording");
  if (!segment.has("core:header_bytes")) return;
  const double header = segment.number("core:header_bytes");
  if (!(header >= 0.0 && header <= 1e9 && header == std::floor(header)))
    segment.fail("core:header_bytes", "must be a whole number between 0 and 1000000000");
  recording.header_bytes = static_cast<std::size_t>(header);
}

Json global_of(const Capture& capture, double carrier) {
  Json global = {{"core:datatype", "ci16_le"},
                 {"core:version", "1.0.0"},
                 {"core:sample_rate", capture.sample_rate},
                 {"core:num_channels", capture.lanes.count() / 2},
                 {"core:recorder", "cohlink " + std::string(version().number)},
                 {"core:description", "coherent optical receiver: I + iQ of the polarisations"}};
  const Json extension = {{"name", kExtension}, {"version", "1.0.0"}, {"optional", true}};
  global["core:extensions"] = Json::array({extension});
  global[kCarrier] = carrier;
  global[kInverted] = true;
  global[kScale] = capture.ampere_per_code;
  return global;
}

/// An instant of all lanes after the other, of every code the least significant byte first.
std::string interleaved(const Lanes& lanes) {
  std::string bytes(2 * lanes.count() * lanes.samples(), '\0');
  for (std::size_t lane = 0; lane < lanes.count(); ++lane) {
    std::size_t at = 2 * lane;
    for (const std::int16_t code : lanes[lane]) {
      bytes[at] = static_cast<char>(code & 0xff);
      bytes[at + 1] = static_cast<char>((code >> 8) & 0xff);
      at += 2 * lanes.count();
    }
  }
  return bytes;
}

}  // namespace

bool names_sigmf(const std::string& path) { return path.size() > kMeta.size() && path.ends_with(kMeta); }

std::string sigmf_data_path(const std::string& meta_path) {
  return meta_path.substr(0, meta_path.size() - kMeta.size()) + std::string(kData);
}

SigmfRecording read_sigmf(const std::string& path) {
  const Json meta = parsed(path, content_of(path));
  if (!meta.is_object()) throw InputError(path, "must be a JSON object");
  const Members top(path, meta);
  if (!top["global"].is_object()) top.fail("global", "must be an object");
  const Members global(path, meta.at("global"));
  SigmfRecording recording;
  read_datatype(global, recording);
  read_channels(global, recording);
  read_sample_rate(global, recording);
  read_scale(global, recording);
  for (const char* elsewhere : {"core:dataset", "core:metadata_only", "core:trailing_bytes"})
    if (global.has(elsewhere) && global[elsewhere] != Json(false) && global[elsewhere] != Json(0))
      global.fail(elsewhere, "is not read; describe the samples by trace.file, trace.format and the like");
  read_segment(path, top["captures"], recording);
  recording.data_path = sigmf_data_path(path);
  if (!fs::is_regular_file(recording.data_path))
    throw InputError(path, "its samples are missing: no file " + printable(recording.data_path));
  return recording;
}

void write_sigmf(const Capture& capture, double carrier, const std::string& path) {
  const Json segment = {{"core:sample_start", 0}};
  const Json meta = {{"global", global_of(capture, carrier)},
                     {"captures", Json::array({segment})},
                     {"annotations", Json::array()}};
  write_atomically(sigmf_data_path(path), interleaved(capture.lanes));
  write_atomically(path, meta.dump(2) + "\n");
}

}  // namespace cohlink
