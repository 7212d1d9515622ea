#include "tools/study/run/record.h"

#include <cstdio>
#include <cstdlib>
#include <stdexcept>

namespace cohlink {
namespace {

class Writer {
 public:
  Writer& operator<<(std::uint64_t value) { return add(std::to_string(value)); }
  Writer& operator<<(double value) {
    char text[48];
    std::snprintf(text, sizeof text, "%a", value);  // hexadecimal: every bit
    return add(text);
  }
  /// As its length and its bytes, line ends turned to blanks.
  Writer& operator<<(const std::string& value) {
    add(std::to_string(value.size()));
    std::string flat = value;
    for (char& c : flat)
      if (c == '\n' || c == '\r') c = ' ';
    return add(flat);
  }
  std::string text() const { return text_; }

 private:
  Writer& add(const std::string& field) {
    if (!text_.empty()) text_ += ' ';
    text_ += field;
    return *this;
  }
  std::string text_;
};

class Reader {
 public:
  explicit Reader(std::string_view text) : text_(text) {}
  Reader& operator>>(std::uint64_t& value) {
    const std::string field = next();
    char* end = nullptr;
    value = std::strtoull(field.c_str(), &end, 10);
    return check(field, end);
  }
  Reader& operator>>(double& value) {
    const std::string field = next();
    char* end = nullptr;
    value = std::strtod(field.c_str(), &end);
    return check(field, end);
  }
  Reader& operator>>(std::string& value) {
    std::uint64_t length = 0;
    *this >> length;
    if (length > text_.size()) throw std::invalid_argument("not a record");
    value = text_.substr(0, length);
    text_.remove_prefix(length);
    if (!text_.empty()) text_.remove_prefix(1);
    return *this;
  }

 private:
  std::string next() {
    const auto blank = text_.find(' ');
    const std::string field(text_.substr(0, blank));
    text_.remove_prefix(blank == std::string_view::npos ? text_.size() : blank + 1);
    return field;
  }
  Reader& check(const std::string& field, const char* end) {
    if (field.empty() || end != field.c_str() + field.size()) throw std::invalid_argument("not a record");
    return *this;
  }
  std::string_view text_;
};

}  // namespace

std::string to_line(const FrameResult& r) {
  Writer out;
  out << r.count.errors << r.count.bits << r.symbols << r.noise_sum << r.evm_sum << r.discarded << r.warned
      << r.unlocked << r.dgd_sum_ps << std::uint64_t{r.counters.size()};
  for (const auto& [name, events] : r.counters) out << name << events;
  out << r.first_warning << r.coding_bunching << r.scored_frames << r.error_squares;
  out << std::uint64_t{r.outputs.size()};
  for (const auto& [name, value] : r.outputs) out << name << value;
  out << std::uint64_t{r.spread.size()};
  for (const auto& [name, spread] : r.spread) out << name << spread.frames << spread.mean << spread.squares;
  return out.text();
}

FrameResult frame_result_from(std::string_view line) {
  FrameResult r;
  std::uint64_t counters = 0;
  Reader in(line);
  in >> r.count.errors >> r.count.bits >> r.symbols >> r.noise_sum >> r.evm_sum >> r.discarded >> r.warned >>
      r.unlocked >> r.dgd_sum_ps >> counters;
  for (; counters > 0; --counters) {
    std::string name;
    std::uint64_t events = 0;
    in >> name >> events;
    r.counters[name] = events;
  }
  in >> r.first_warning >> r.coding_bunching >> r.scored_frames >> r.error_squares;
  std::uint64_t outputs = 0, spreads = 0;
  std::string name;
  for (in >> outputs; outputs > 0; --outputs) {
    in >> name;
    in >> r.outputs[name];
  }
  for (in >> spreads; spreads > 0; --spreads) {
    in >> name;
    Spread& spread = r.spread[name];
    in >> spread.frames >> spread.mean >> spread.squares;
  }
  return r;
}

std::string to_line(const RequiredOsnr& r) {
  Writer out;
  out << std::uint64_t{r.found} << r.osnr_db << r.low_db << r.high_db << r.slope << r.frames << r.errors
      << r.bits << r.failure << std::uint64_t{r.out_of_reach};
  return out.text();
}

RequiredOsnr required_osnr_from(std::string_view line) {
  RequiredOsnr r;
  std::uint64_t found = 0, out_of_reach = 0;
  Reader(line) >> found >> r.osnr_db >> r.low_db >> r.high_db >> r.slope >> r.frames >> r.errors >> r.bits >>
      r.failure >> out_of_reach;
  r.found = found != 0;
  r.out_of_reach = out_of_reach != 0;
  return r;
}

}  // namespace cohlink
