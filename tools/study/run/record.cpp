#include "tools/study/run/record.h"

#include <algorithm>
#include <charconv>
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
      << r.unlocked << r.dgd_sum_ps << r.pdl_sum_db << std::uint64_t{r.fibre_redrawn}
      << std::uint64_t{r.counters.size()};
  for (const auto& [name, events] : r.counters) out << name << events;
  out << r.first_warning << r.coding_bunching << r.scored_frames << r.error_squares;
  out << std::uint64_t{r.outputs.size()};
  for (const auto& [name, value] : r.outputs) out << name << value;
  out << std::uint64_t{r.spread.size()};
  for (const auto& [name, spread] : r.spread) out << name << spread.frames << spread.mean << spread.squares;
  out << std::uint64_t{r.fibres.size()};
  for (const FibreResult& fibre : r.fibres) out << fibre.ber << fibre.noise_ratio << fibre.ngmi;
  out << r.ngmi << r.ngmi_variance << r.ngmis.frames << r.ngmis.mean << r.ngmis.squares;
  out << r.post_fec.blocks << r.post_fec.lost_blocks << r.post_fec.bits << r.post_fec.errors;
  return out.text();
}

FrameResult frame_result_from(std::string_view line) {
  FrameResult r;
  std::uint64_t counters = 0, redrawn = 0;
  Reader in(line);
  in >> r.count.errors >> r.count.bits >> r.symbols >> r.noise_sum >> r.evm_sum >> r.discarded >> r.warned >>
      r.unlocked >> r.dgd_sum_ps >> r.pdl_sum_db >> redrawn >> counters;
  r.fibre_redrawn = redrawn != 0;
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
  std::uint64_t fibres = 0;
  for (in >> fibres; fibres > 0; --fibres) {
    FibreResult fibre;
    in >> fibre.ber >> fibre.noise_ratio >> fibre.ngmi;
    r.fibres.push_back(fibre);
  }
  in >> r.ngmi >> r.ngmi_variance >> r.ngmis.frames >> r.ngmis.mean >> r.ngmis.squares;
  in >> r.post_fec.blocks >> r.post_fec.lost_blocks >> r.post_fec.bits >> r.post_fec.errors;
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

std::string to_line(const GrowthLimit& g) {
  Writer out;
  out << static_cast<std::uint64_t>(g.state) << g.value << g.holds << g.fails << g.frames << g.remark;
  return out.text();
}

GrowthLimit growth_limit_from(std::string_view line) {
  GrowthLimit g;
  std::uint64_t state = 0;
  Reader(line) >> state >> g.value >> g.holds >> g.fails >> g.frames >> g.remark;
  if (state > static_cast<std::uint64_t>(GrowthState::kNotCounted))
    throw std::invalid_argument("not a record");
  g.state = static_cast<GrowthState>(state);
  return g;
}

std::string to_line(const MeasuredOutput& measured) {
  Writer out;
  out << measured.value << measured.low << measured.high;
  return out.text();
}

MeasuredOutput measured_output_from(std::string_view line) {
  MeasuredOutput measured{};
  Reader in(line);
  in >> measured.value >> measured.low >> measured.high;
  return measured;
}

std::vector<std::string> lines_of(const std::string& text) {
  std::vector<std::string> lines;
  for (std::size_t begin = 0; begin < text.size();) {
    const auto end = std::min(text.find('\n', begin), text.size());
    if (end > begin) lines.push_back(text.substr(begin, end - begin));
    begin = end + 1;
  }
  return lines;
}

std::uint64_t leading_number(std::string_view& text) {
  std::uint64_t value = 0;
  const auto [end, error] = std::from_chars(text.data(), text.data() + text.size(), value);
  if (error != std::errc{} || end == text.data() + text.size())
    throw std::invalid_argument("a record without its place");
  text.remove_prefix(static_cast<std::size_t>(end - text.data()) + 1);
  return value;
}

std::string to_line(std::size_t point, std::uint64_t frame, const FrameResult& result) {
  return std::to_string(point) + " " + std::to_string(frame) + " " + to_line(result);
}

FrameRecord frame_record_from(std::string_view text) {
  const std::size_t point = leading_number(text);
  const std::uint64_t frame = leading_number(text);
  return {point, frame, frame_result_from(text)};
}

}  // namespace cohlink
