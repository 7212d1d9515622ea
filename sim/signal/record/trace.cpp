#include "sim/signal/record/trace.h"

#include <algorithm>
#include <bit>
#include <charconv>
#include <cmath>
#include <cstring>
#include <filesystem>
#include <fstream>
#include <optional>
#include <string_view>

#include "sim/signal/record/hdf5.h"
#include "sim/signal/record/hdf5_types.h"
#include "sim/signal/record/known_symbols.h"
#include "sim/signal/record/sigmf.h"
#include "sim/signal/scenario/errors.h"
#include "sim/signal/scenario/strings.h"

namespace cohlink {
namespace {

using Columns = std::vector<std::vector<float>>;

// --- Raw numbers. ---

enum class Number { kInt8, kInt16, kFloat32 };

std::size_t width(Number number) { return number == Number::kInt8 ? 1 : number == Number::kInt16 ? 2 : 4; }

float decoded(const unsigned char* bytes, Number number, bool big) {
  if (number == Number::kInt8) return static_cast<float>(static_cast<std::int8_t>(bytes[0]));
  unsigned char native[4];
  const std::size_t n = width(number);
  constexpr bool big_machine = std::endian::native == std::endian::big;
  for (std::size_t i = 0; i < n; ++i) native[i] = bytes[big == big_machine ? i : n - 1 - i];
  if (number == Number::kInt16) {
    std::int16_t value;
    std::memcpy(&value, native, 2);
    return static_cast<float>(value);
  }
  float value;
  std::memcpy(&value, native, 4);
  return value;
}

struct BinaryParameters {
  Number number = Number::kInt16;
  bool big = false, interleaved = true;
  std::size_t skip = 0, columns = 4;
};

// One file of several columns, or several files of one column each.
class BinarySource : public Trace::Source {
 public:
  BinarySource(const std::vector<std::string>& paths, const BinaryParameters& p) : paths_(paths), p_(p) {
    const std::size_t instant = width(p.number) * (paths.size() > 1 ? 1 : p.columns);
    for (const auto& path : paths_) {
      const std::uintmax_t size = std::filesystem::file_size(path);
      if (size < p.skip + instant || (size - p.skip) % instant != 0)
        throw InputError(path, std::to_string(size) + " bytes are not " + std::to_string(p.skip) +
                                   " of header and whole instants of " + std::to_string(instant) +
                                   " bytes (trace.format, trace.lanes, trace.skip_bytes)");
      const std::size_t samples = (size - p.skip) / instant;
      if (samples_ != 0 && samples != samples_)
        throw InputError(path, "holds " + std::to_string(samples) + " samples, the lanes before it " +
                                   std::to_string(samples_));
      samples_ = samples;
    }
  }
  std::size_t samples() const override { return samples_; }
  std::size_t columns() const override { return p_.columns; }

  void read(std::size_t start, std::size_t count, Columns& out) const override {
    const std::size_t n = width(p_.number);
    if (paths_.size() == 1 && p_.interleaved) {
      const auto bytes = stretch(paths_[0], start * n * p_.columns, count * n * p_.columns);
      for (std::size_t c = 0; c < p_.columns; ++c)
        for (std::size_t i = 0; i < count; ++i)
          out[c][i] = decoded(bytes.data() + (i * p_.columns + c) * n, p_.number, p_.big);
      return;
    }
    for (std::size_t c = 0; c < p_.columns; ++c) {
      const std::size_t lane = paths_.size() == 1 ? c * samples_ : 0;
      const auto bytes = stretch(paths_[paths_.size() == 1 ? 0 : c], (lane + start) * n, count * n);
      for (std::size_t i = 0; i < count; ++i) out[c][i] = decoded(bytes.data() + i * n, p_.number, p_.big);
    }
  }

 private:
  std::vector<unsigned char> stretch(const std::string& path, std::size_t from, std::size_t bytes) const {
    std::vector<unsigned char> buffer(bytes);
    std::ifstream file(path, std::ios::binary);
    file.seekg(static_cast<std::streamoff>(p_.skip + from));
    file.read(reinterpret_cast<char*>(buffer.data()), static_cast<std::streamsize>(bytes));
    if (!file) throw InputError(path, "cannot be read to its end, or became shorter while it was read");
    return buffer;
  }
  std::vector<std::string> paths_;
  BinaryParameters p_;
  std::size_t samples_ = 0;
};

// --- Text. ---

class CsvSource : public Trace::Source {
 public:
  explicit CsvSource(std::string path) : path_(std::move(path)) {
    constexpr std::string_view kByteOrderMark = "\xef\xbb\xbf";  // some programs begin a file with it
    std::ifstream file(path_, std::ios::binary);
    std::vector<float> values;
    std::streamoff at = 0;
    for (auto line = next_line(file); line; at = file.tellg(), line = next_line(file)) {
      if (at == 0 && line->starts_with(kByteOrderMark)) {
        line->remove_prefix(kByteOrderMark.size());
        at = static_cast<std::streamoff>(kByteOrderMark.size());
      }
      if (!is_sample(*line, values, samples_ == 0)) continue;
      if (samples_ == 0) columns_ = values.size();
      if (values.size() != columns_)
        bad_line(lines_,
                 "has " + std::to_string(values.size()) + " columns, not " + std::to_string(columns_));
      if (samples_ % kEvery == 0) marks_.push_back({at, lines_});
      ++samples_;
    }
    if (samples_ == 0) throw InputError(path_, "holds no line of numbers");
  }
  std::size_t samples() const override { return samples_; }
  std::size_t columns() const override { return columns_; }

  void read(std::size_t start, std::size_t count, Columns& out) const override {
    std::ifstream file(path_, std::ios::binary);
    const Mark& mark = marks_[start / kEvery];  // a sample's line: no byte order mark but before line 1
    file.seekg(mark.at);
    lines_ = mark.line - 1;
    std::vector<float> values;
    for (std::size_t sample = start / kEvery * kEvery; sample < start + count;) {
      const auto line = next_line(file);
      if (!line) throw InputError(path_, "became shorter while it was read");
      if (!is_sample(*line, values, false)) continue;
      if (values.size() != columns_) throw InputError(path_, "changed while it was read");
      if (sample >= start)
        for (std::size_t c = 0; c < columns_; ++c) out[c][sample - start] = values[c];
      ++sample;
    }
  }

 private:
  static constexpr std::size_t kEvery = 65536;
  struct Mark {
    std::streamoff at;
    std::size_t line;
  };

  /// Nothing at the end of the file. A file without line ends is no CSV, and must not fill the memory.
  std::optional<std::string_view> next_line(std::ifstream& file) const {
    ++lines_;
    file.getline(line_.data(), static_cast<std::streamsize>(line_.size()));
    const auto taken = static_cast<std::size_t>(file.gcount());
    if (!file && taken > 0)
      bad_line(lines_, "is longer than " + std::to_string(line_.size() - 1) + " characters");
    if (!file) return std::nullopt;
    return std::string_view(line_.data(), file.eof() ? taken : taken - 1);  // the line end counts as taken
  }

  [[noreturn]] void bad_line(std::size_t number, const std::string& what) const {
    throw InputError({path_, number}, what);
  }

  // Blank lines, comments (#) and, before the first sample, headings are no samples.
  bool is_sample(std::string_view line, std::vector<float>& values, bool heading_allowed) const {
    values.clear();
    const char *at = line.data(), *end = at + line.size();
    const auto separator = [](char c) { return c == ',' || c == ';' || c == ' ' || c == '\t' || c == '\r'; };
    while (at < end && separator(*at)) ++at;
    if (at == end || *at == '#') return false;
    while (at < end) {
      float value = 0.0f;
      if (*at == '+') ++at;
      const auto [stop, error] = std::from_chars(at, end, value);
      if (error != std::errc() || (stop < end && !separator(*stop))) {
        if (heading_allowed) return false;
        bad_line(lines_, "'" + std::string(at, std::find_if(at, end, separator)) + "' is not a number");
      }
      values.push_back(value);
      for (at = stop; at < end && separator(*at);) ++at;
    }
    return true;
  }

  std::string path_;
  std::size_t samples_ = 0, columns_ = 0;
  mutable std::size_t lines_ = 0;  // read so far: for messages
  mutable std::vector<char> line_ = std::vector<char>(std::size_t{1} << 16);
  std::vector<Mark> marks_;
};

// --- HDF5. ---

// A data set of numbers [n], [columns, n] or [n, columns], or of {real, imaginary} pairs, which count as two
// columns each.
class Hdf5Source : public Trace::Source {
 public:
  Hdf5Source(const std::string& path, const std::vector<std::string>& datasets)
      : file_(h5::File::open(path)) {
    for (const auto& name : datasets) add(name);
    for (const Part& part : parts_)
      if (part.samples != parts_.front().samples)
        throw InputError(path, part.name + " holds " + std::to_string(part.samples) + " samples, " +
                                   parts_.front().name + " " + std::to_string(parts_.front().samples));
  }
  std::size_t samples() const override { return parts_.front().samples; }
  std::size_t columns() const override {
    std::size_t sum = 0;
    for (const Part& part : parts_) sum += part.rows * part.values();
    return sum;
  }
  bool integers() const {
    return std::all_of(parts_.begin(), parts_.end(),
                       [&](const Part& part) { return file_.fits_int16(part.name); });
  }

  void read(std::size_t start, std::size_t count, Columns& out) const override {
    std::size_t column = 0;
    for (const Part& part : parts_)
      for (std::size_t row = 0; row < part.rows; ++row) {
        const auto values = row_of(part, row, start, count);
        for (std::size_t v = 0; v < part.values(); ++v, ++column)
          for (std::size_t i = 0; i < count; ++i) out[column][i] = values[part.values() * i + v];
      }
  }

 private:
  struct Part {
    std::string name;
    std::size_t rows = 1, samples = 0;
    bool rank_two = false, samples_first = false;
    std::array<std::string, 2> member;  // of a compound; empty for plain numbers
    std::size_t values() const { return member[0].empty() ? 1 : 2; }
  };

  void add(const std::string& name) {
    const h5::Shape shape = file_.shape(name);  // says when there is none
    file_.check_size(name);
    Part part;
    part.name = name;
    if (shape.empty() || shape.size() > 2 || shape[0] == 0)
      throw InputError(file_.path(), name + " must have one or two dimensions");
    part.rank_two = shape.size() == 2;
    part.samples = part.rank_two ? std::max(shape[0], shape[1]) : shape[0];
    part.rows = part.rank_two ? std::min(shape[0], shape[1]) : 1;
    part.samples_first = part.rank_two && shape[0] >= shape[1];
    const h5::Handle data(H5Dopen2(file_.id(), name.c_str(), H5P_DEFAULT), H5Dclose);
    const h5::Handle type(H5Dget_type(data.get()), H5Tclose);
    const H5T_class_t kind = H5Tget_class(type.get());
    if (kind == H5T_COMPOUND && H5Tget_nmembers(type.get()) == 2) {
      for (unsigned m = 0; m < 2; ++m) {
        const h5::Handle number(H5Tget_member_type(type.get(), m), H5Tclose);
        char* member = H5Tget_member_name(type.get(), m);
        if (member != nullptr && h5::is_sound_number(number.get())) part.member[m] = member;
        H5free_memory(member);
      }
      if (part.member[0].empty() || part.member[1].empty())
        throw InputError(file_.path(), name + " holds pairs of something else than numbers");
    } else if (kind == H5T_ENUM || !h5::is_sound_number(type.get())) {
      throw InputError(file_.path(), name + " holds neither numbers nor complex numbers");
    }
    parts_.push_back(part);
  }

  std::vector<float> row_of(const Part& part, std::size_t row, std::size_t start, std::size_t count) const {
    const h5::Handle data(H5Dopen2(file_.id(), part.name.c_str(), H5P_DEFAULT), H5Dclose);
    const h5::Handle space(H5Dget_space(data.get()), H5Sclose);
    const std::size_t along = part.samples_first || !part.rank_two ? 0 : 1;
    hsize_t offset[2] = {row, row}, extent[2] = {1, 1};
    offset[along] = start;
    extent[along] = count;
    H5Sselect_hyperslab(space.get(), H5S_SELECT_SET, offset, nullptr, extent, nullptr);
    const hsize_t wanted = count;
    const h5::Handle memory(H5Screate_simple(1, &wanted, nullptr), H5Sclose);
    h5::Handle type(H5Tcopy(H5T_NATIVE_FLOAT), H5Tclose);
    if (part.values() == 2) {
      type = h5::Handle(H5Tcreate(H5T_COMPOUND, 2 * sizeof(float)), H5Tclose);
      H5Tinsert(type.get(), part.member[0].c_str(), 0, H5T_NATIVE_FLOAT);
      H5Tinsert(type.get(), part.member[1].c_str(), sizeof(float), H5T_NATIVE_FLOAT);
    }
    std::vector<float> values(count * part.values());
    if (H5Dread(data.get(), type.get(), memory.get(), space.get(), H5P_DEFAULT, values.data()) < 0)
      throw InputError(file_.path(),
                       "data set " + part.name + " cannot be read (truncated, or of another type)");
    return values;
  }

  h5::File file_;
  std::vector<Part> parts_;
};

// --- From the keys. ---

Number number_named(const std::string& format) {
  return format == "int8" ? Number::kInt8 : format == "int16" ? Number::kInt16 : Number::kFloat32;
}

// --- Recordings with metadata. ---

/// Those of trace.file, where it names any: then nothing else may say how samples are stored.
std::optional<SigmfRecording> metadata_of(const Scenario& s, const std::vector<std::string>& folders) {
  if (!names_sigmf(s.text("trace.file"))) return std::nullopt;
  for (const char* key : {"trace.lane_files", "trace.format", "trace.layout", "trace.byte_order",
                          "trace.skip_bytes", "trace.datasets"})
    if (s.written(key) != find_key(key)->default_value)
      s.reject(key, "does not go with SigMF metadata, which say how samples are stored; leave it out");
  return read_sigmf(located_input(s, "trace.file", s.text("trace.file"), folders));
}

/// XI and XQ alone where metadata know no Y and the scenario says nothing.
std::vector<std::string> lanes_of(const Scenario& s, const std::optional<SigmfRecording>& metadata) {
  const bool said = s.written("trace.lanes") != find_key("trace.lanes")->default_value;
  if (metadata && metadata->channels == 1 && !said) return {"XI", "XQ"};
  return s.list("trace.lanes");
}

std::vector<double> scales_of(const Scenario& s, const std::optional<SigmfRecording>& metadata) {
  const auto scales = s.numbers("trace.scales");
  if (!scales.empty() || !metadata || !metadata->ampere_per_code) return scales;
  const auto& all = *metadata->ampere_per_code;
  return {all.begin(), all.begin() + static_cast<std::ptrdiff_t>(2 * metadata->channels)};
}

double sample_rate_of(const Scenario& s, const std::optional<SigmfRecording>& metadata) {
  const auto said = s.optional_number("trace.sample_rate_gsa");
  if (!said && !metadata) s.reject("trace.sample_rate_gsa", "must be given: the file does not say");
  if (!metadata) return *said * 1e9;
  if (said && std::abs(*said * 1e9 - metadata->sample_rate) > 1e-6 * metadata->sample_rate)
    s.reject("trace.sample_rate_gsa", "is not what the metadata say; leave it out");
  return metadata->sample_rate;
}

std::unique_ptr<Trace::Source> open_described(const SigmfRecording& metadata, std::string& name,
                                              bool& integers) {
  BinaryParameters p;
  p.number = number_named(metadata.format);
  p.big = metadata.big_endian;
  p.skip = metadata.header_bytes;
  p.columns = 2 * metadata.channels;
  name = metadata.data_path;
  integers = p.number != Number::kFloat32;
  return std::make_unique<BinarySource>(std::vector<std::string>{name}, p);
}

std::unique_ptr<Trace::Source> open_source(const Scenario& s, const std::vector<std::string>& folders,
                                           std::string& name, bool& integers) {
  const std::string format = s.text("trace.format");
  const auto lane_files = s.list("trace.lane_files");
  const std::size_t columns = s.list("trace.lanes").size();
  std::vector<std::string> paths;
  if (lane_files.empty()) {
    paths.push_back(located_input(s, "trace.file", s.text("trace.file"), folders));
  } else {
    if (!s.text("trace.file").empty())
      s.reject("trace.lane_files", "and trace.file are both given; one of them will do");
    if (format == "csv" || format == "hdf5")
      s.reject("trace.lane_files", "does not go with " + format + ", which is one file");
    if (lane_files.size() != columns)
      s.reject("trace.lane_files", "names " + std::to_string(lane_files.size()) + " files for the " +
                                       std::to_string(columns) + " of trace.lanes");
    for (const auto& file : lane_files) paths.push_back(located_input(s, "trace.lane_files", file, folders));
  }
  name = paths.front();
  integers = format == "int8" || format == "int16";
  if (format == "csv") return std::make_unique<CsvSource>(name);
  if (format == "hdf5") {
    const auto datasets = s.list("trace.datasets");
    if (datasets.empty())
      s.reject("trace.datasets", "must be given: hdf5 needs the path of the data set, such as /waveform");
    auto source = std::make_unique<Hdf5Source>(name, datasets);
    integers = source->integers();
    return source;
  }
  BinaryParameters p;
  p.number = number_named(format);
  p.big = s.text("trace.byte_order") == "big";
  p.interleaved = s.text("trace.layout") == "interleaved";
  p.skip = static_cast<std::size_t>(s.integer("trace.skip_bytes"));
  p.columns = columns;
  return std::make_unique<BinarySource>(paths, p);
}

}  // namespace

bool Trace::described(const Scenario& s) {
  return !s.text("trace.file").empty() || !s.list("trace.lane_files").empty();
}

Trace::Trace(const Scenario& s, const std::vector<std::string>& folders) {
  const auto metadata = metadata_of(s, folders);
  const auto lanes = lanes_of(s, metadata);
  const auto scales = scales_of(s, metadata);
  if (!scales.empty() && scales.size() != lanes.size())
    s.reject("trace.scales", "has " + std::to_string(scales.size()) + " numbers for the " +
                                 std::to_string(lanes.size()) + " of trace.lanes");
  std::array<bool, 4> named{};
  for (std::size_t c = 0; c < lanes.size(); ++c)
    for (std::size_t l = 0; l < 4; ++l) {
      const bool inverted = lanes[c].starts_with('-');
      if (lanes[c].substr(inverted ? 1 : 0) != Capture::kLaneNames[l]) continue;
      if (named[l]) s.reject("trace.lanes", "names lane " + std::string(Capture::kLaneNames[l]) + " twice");
      named[l] = true;
      column_[l] = c;
      unit_[l] = (inverted ? -1.0 : 1.0) * (scales.empty() ? 1.0 : scales[c]);
    }
  one_polarisation_ = named[0] && named[1] && !named[2] && !named[3];
  for (std::size_t l = 0; l < lanes_read(); ++l)
    if (!named[l])
      s.reject("trace.lanes", std::string("lacks lane ") + Capture::kLaneNames[l] +
                                  "; the receiver needs all four, X and Y with I and Q each, or XI and XQ "
                                  "alone");
  sample_rate_ = sample_rate_of(s, metadata);
  source_ =
      metadata ? open_described(*metadata, name_, integers_) : open_source(s, folders, name_, integers_);
  if (source_->columns() != lanes.size())
    s.reject("trace.lanes", "names " + std::to_string(lanes.size()) + " columns, " + name_ + " has " +
                                std::to_string(source_->columns()));
  first_ = static_cast<std::size_t>(s.integer("trace.first_sample"));
  if (first_ >= source_->samples())
    s.reject("trace.first_sample", "is beyond the end: " + name_ + " has " +
                                       std::to_string(source_->samples()) + " samples a lane");
  samples_ = source_->samples() - first_;
  if (s.is_set("trace.samples"))
    samples_ = std::min(samples_, static_cast<std::size_t>(s.integer("trace.samples")));
}

Trace::~Trace() = default;
Trace::Trace(Trace&&) noexcept = default;

bool Trace::integer_codes() const { return integers_; }
std::string Trace::name() const { return name_; }

std::array<std::vector<float>, 4> Trace::read(std::size_t start, std::size_t count) const {
  Columns columns(source_->columns(), std::vector<float>(count));
  source_->read(first_ + start, count, columns);
  std::array<std::vector<float>, 4> lanes;
  for (std::size_t l = 0; l < lanes_read(); ++l) lanes[l] = std::move(columns[column_[l]]);
  return lanes;
}

}  // namespace cohlink
