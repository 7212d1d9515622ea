// Tables of fibre loss: what is read, and what is refused with file and line.
#include "sim/signal/line/loss_spectrum.h"

#include <doctest/doctest.h>

#include <cmath>
#include <filesystem>
#include <fstream>
#include <string>

#include "sim/signal/line/read_line.h"
#include "sim/signal/line/wide_band.h"
#include "sim/signal/units.h"
#include "tests/settings.h"

using namespace cohlink;
using test::scenario_with;

namespace {

/// A file that goes with its test.
struct TableFile {
  std::string path = (std::filesystem::temp_directory_path() / "cohlink-loss-table.csv").string();
  explicit TableFile(const std::string& text) { std::ofstream(path) << text; }
  ~TableFile() { std::filesystem::remove(path); }
};

/// What is said of a table, the file's name as F.
std::string said_of(const std::string& text) {
  const TableFile file(text);
  try {
    read_loss_table(file.path);
  } catch (const InputError& error) {
    const std::string said = error.what();
    return "F" + said.substr(file.path.size());
  }
  return "";
}

}  // namespace

TEST_CASE("a table of loss is read by wavelength or frequency, in either order") {
  const TableFile file(
      "\xEF\xBB\xBF# measured\r\nwavelength_nm; db_per_km\r\n\r\n1530 ; 0.21 # "
      "edge\r\n1550;0.19\r\n1570;0.2\r\n");
  const LossTable table = read_loss_table(file.path);
  REQUIRE(table.frequency.size() == 3);
  CHECK(table.frequency[0] == doctest::Approx(kSpeedOfLight / 1570e-9));
  CHECK(table.loss[0] == doctest::Approx(db_per_km_to_per_m(0.2)));
  CHECK(table.loss[2] == doctest::Approx(db_per_km_to_per_m(0.21)));
}

TEST_CASE("what is no table of loss is refused with its file and line") {
  CHECK(said_of("") == "F: holds fewer than two points of loss");
  CHECK(said_of("1530,0.2\n1550,0.19\n") ==
        "F:1: the first line must be wavelength_nm,db_per_km or frequency_thz,db_per_km");
  const std::string head = "wavelength_nm,db_per_km\n";
  CHECK(said_of(head + "1530,0.2\n") == "F: holds fewer than two points of loss");
  CHECK(said_of(head + "1530,0.2\n1550\n") == "F:3: two columns are expected");
  CHECK(said_of(head + "1530,0.2\n1550,low\n") == "F:3: 'low' is no number");
  CHECK(said_of(head + "1.53,0.2\n") == "F:2: a wavelength must lie between 1260 and 1675 nm");
  CHECK(said_of(head + "1530,200\n") == "F:2: a loss must lie between 0.01 and 10 dB/km");
  CHECK(said_of(head + "1530,0\n") == "F:2: a loss must lie between 0.01 and 10 dB/km");
  CHECK(said_of(head + "1530,0.2\n1550,0.2\n1540,0.2\n") ==
        "F:4: the first column must rise or fall all the way");
  CHECK(said_of(head + "1530,0.2\n1530,0.2\n") == "F:3: the first column must rise or fall all the way");
  CHECK(said_of("frequency_thz,db_per_km\n1530,0.2\n") ==
        "F:2: a frequency must lie between 179 and 238 THz");
}

TEST_CASE("a table gives every fibre its loss, and must cover the comb") {
  const TableFile file("frequency_thz,db_per_km\n192.4,0.25\n193.4,0.2\n194.4,0.22\n");
  const std::string named = "fibre.loss_file=" + file.path;
  const Line line = read_line(scenario_with(
      {"channel.grid_centre_thz=193.4", "channel.count=3", "channel.spacing_ghz=500",
       "fibre.span_lengths_km=50,70", "fibre.span_types=G.654.E,G.652.D", "fibre.loss_curve=file", named}));
  const CombWalk walk = walk_comb(line);
  const double in_db[] = {0.225, 0.2, 0.21};
  for (std::size_t c = 0; c < 3; ++c) {
    CHECK(to_db(walk.sections[0].start[c] / walk.sections[0].end[c]) == doctest::Approx(50.0 * in_db[c]));
    CHECK(to_db(walk.sections[1].start[c] / walk.sections[1].end[c]) == doctest::Approx(70.0 * in_db[c]));
  }
  const auto refusal = [&](test::Settings settings) -> std::string {
    try {
      read_line(scenario_with(settings));
    } catch (const InputError& error) {
      return error.key() + ": " + error.reason().substr(error.reason().find("' ") + 2);
    }
    return "";
  };
  const std::string curve = "fibre.loss_curve=file";
  CHECK(refusal({curve}) == "fibre.loss_curve: needs fibre.loss_file");
  CHECK(refusal({named}) == "fibre.loss_file: is used only with fibre.loss_curve = file");
  CHECK(refusal({curve, named, "channel.grid_centre_thz=195"}) ==
        "fibre.loss_file: reaches from 192.400 to 194.400 THz, the channels from 194.982 to 195.018 THz");
  CHECK(refusal({curve, named, "fibre.attenuation_db_per_km=0.2"}) ==
        "fibre.attenuation_db_per_km: and fibre.loss_file cannot both say the loss");
  CHECK(refusal({"channel.wavelength_nm=1550", "channel.grid_centre_thz=193"}) ==
        "channel.wavelength_nm: and channel.grid_centre_thz cannot both be given");
}
