#include "sim/signal/line/loss_spectrum.h"

#include <algorithm>
#include <charconv>
#include <cmath>
#include <filesystem>
#include <fstream>
#include <sstream>

#include "sim/signal/scenario/errors.h"
#include "sim/signal/scenario/printable.h"
#include "sim/signal/units.h"

namespace cohlink {
namespace {

constexpr double kShortest = 1260e-9, kLongest = 1675e-9;  // m, bands O to U
constexpr double kLeastLoss = 0.01, kMostLoss = 10.0;      // dB/km

std::vector<std::string> words_of(std::string line) {
  line.erase(std::find(line.begin(), line.end(), '#'), line.end());
  std::replace_if(
      line.begin(), line.end(), [](char c) { return c == ',' || c == ';' || c == '\r'; }, ' ');
  std::istringstream in(line);
  std::vector<std::string> words;
  for (std::string word; in >> word;) words.push_back(word);
  return words;
}

double number_in(const std::string& word, const Origin& origin) {
  double value = 0.0;
  const char* end = word.data() + word.size();
  const auto [stop, error] = std::from_chars(word.data(), end, value);
  if (error != std::errc() || stop != end || !std::isfinite(value))
    throw InputError(origin, "'" + printable(word) + "' is no number");
  return value;
}

/// Optical frequency [Hz] of a first column.
double frequency_of(double value, bool wavelengths, const Origin& origin) {
  const double frequency = wavelengths ? kSpeedOfLight / (value * 1e-9) : value * 1e12;
  if (!(frequency >= kSpeedOfLight / kLongest * (1.0 - 1e-9)) ||
      !(frequency <= kSpeedOfLight / kShortest * (1.0 + 1e-9)))
    throw InputError(origin, wavelengths ? "a wavelength must lie between 1260 and 1675 nm"
                                         : "a frequency must lie between 179 and 238 THz");
  return frequency;
}

class TableReader {
 public:
  void take(const std::vector<std::string>& words, const Origin& origin) {
    if (words.size() != 2) throw InputError(origin, "two columns are expected");
    if (!headed_) return take_heading(words, origin);
    const double f = frequency_of(number_in(words[0], origin), wavelengths_, origin);
    const double loss = number_in(words[1], origin);
    if (!(loss >= kLeastLoss && loss <= kMostLoss))
      throw InputError(origin, "a loss must lie between 0.01 and 10 dB/km");
    const std::size_t n = table_.frequency.size();
    if (n > 0 && (f == table_.frequency[n - 1] ||
                  (n > 1 && (f > table_.frequency[n - 1]) != (table_.frequency[1] > table_.frequency[0]))))
      throw InputError(origin, "the first column must rise or fall all the way");
    table_.frequency.push_back(f);
    table_.loss.push_back(db_per_km_to_per_m(loss));
  }

  LossTable finish(const std::string& path) {
    if (table_.frequency.size() < 2) throw InputError(Origin(path), "holds fewer than two points of loss");
    if (table_.frequency[1] < table_.frequency[0]) {
      std::reverse(table_.frequency.begin(), table_.frequency.end());
      std::reverse(table_.loss.begin(), table_.loss.end());
    }
    return std::move(table_);
  }

 private:
  void take_heading(const std::vector<std::string>& words, const Origin& origin) {
    wavelengths_ = words[0] == "wavelength_nm";
    if ((!wavelengths_ && words[0] != "frequency_thz") || words[1] != "db_per_km")
      throw InputError(origin, "the first line must be wavelength_nm,db_per_km or frequency_thz,db_per_km");
    headed_ = true;
  }

  bool headed_ = false, wavelengths_ = false;
  LossTable table_;
};

}  // namespace

double typical_loss_db_per_km(double wavelength) {
  const double l = wavelength * 1e6;
  return 0.9 / std::pow(l, 4) + 7.81e11 * std::exp(-48.48 / l) + 0.0135;
}

LossTable read_loss_table(const std::string& path) {
  std::error_code none;
  if (!std::filesystem::is_regular_file(path, none)) throw InputError(Origin(path), "no such file");
  std::ifstream in(path);
  if (!in) throw InputError(Origin(path), "cannot be read");
  return read_loss_table(in, path);
}

LossTable read_loss_table(std::istream& text, const std::string& name) {
  TableReader reader;
  std::size_t number = 0;
  for (std::string line; std::getline(text, line);) {
    if (++number == 1 && line.starts_with("\xEF\xBB\xBF")) line.erase(0, 3);  // a spreadsheet's mark
    if (const auto words = words_of(line); !words.empty()) reader.take(words, Origin(name, number));
  }
  return reader.finish(name);
}

}  // namespace cohlink
