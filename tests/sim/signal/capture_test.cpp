// HDF5 and the capture file: round trips, and one clear line for whatever is wrong.
#include "sim/signal/record/capture.h"

#include <doctest/doctest.h>

#include <atomic>
#include <filesystem>
#include <fstream>
#include <thread>

#include "sim/signal/record/dimension_scales.h"
#include "sim/signal/record/hdf5.h"
#include "sim/signal/record/hdf5_write.h"
#include "sim/signal/scenario/errors.h"
#include "sim/signal/shaping.h"

using namespace cohlink;
namespace fs = std::filesystem;

namespace {

// A folder of its own, gone at the end.
struct Folder {
  fs::path path = fs::temp_directory_path() / "cohlink-capture-test";
  Folder() {
    fs::remove_all(path);
    fs::create_directories(path);
  }
  ~Folder() { fs::remove_all(path); }
  std::string file(const std::string& name) const { return (path / name).string(); }
  long entries() const { return std::distance(fs::directory_iterator(path), {}); }
};

Capture small_capture() {
  Capture c;
  c.lanes = Lanes(100);
  for (std::size_t lane = 0; lane < 4; ++lane) {
    for (int i = 0; i < 100; ++i)
      c.lanes[lane][i] = static_cast<std::int16_t>(100 * static_cast<int>(lane) + i - 50);
  }
  c.sample_rate = 64e9;
  c.ampere_per_code = {1e-6, 2e-6, 3e-6, 4e-6};
  c.scenario_text = "[signal]\nsymbols = 2048\n";
  c.seed = 9007199254740991u;
  c.frame = 3;
  c.counters = {{"adc_clipped_samples", 5}, {"step_floor_hits", 0}};
  Truth t;
  t.bits = {Bits(100, 1), Bits(100, 0)};
  t.symbols = {Symbols(50, {0.5, -0.25}), Symbols(50, {-1.0, 0.125})};
  t.symbol_role.assign(50, 1);
  t.tx_phase_rad.assign(50, 0.1);
  t.lo_phase_rad.assign(50, 0.2);
  t.frequency_offset_hz = 1e8;
  t.jones.push_back(Jones{{{{{1, 0}, {0, 2}}}, {{{3, 0}, {4, 5}}}}});
  t.jones_frequency_hz = {0.0};
  c.truth = t;
  return c;
}

std::string message_of(const std::string& path) {
  try {
    read_capture(path);
  } catch (const InputError& error) {
    return error.what();
  }
  return "";
}

}  // namespace

TEST_CASE("symbols of every format are stored as codes and come back to the last bit") {
  const Folder folder;
  std::vector<Modulation> formats = {shaped(modulation_named("64qam"), 5.0, 256),
                                     shaped(Modulation::kQam16, 3.3)};
  for (std::size_t row = 0; row < constellations().size(); ++row)
    if (!constellations()[row].empty()) formats.emplace_back(row);
  for (const Modulation format : formats) {
    CAPTURE(modulation_title(format));
    for (const bool differential : {false, true}) {
      Capture before = small_capture();
      Truth& truth = *before.truth;
      if (format.shaped() != nullptr) truth.shaped = format;
      for (std::size_t p = 0; p < 2; ++p) {
        truth.bits[p].resize(50 * static_cast<std::size_t>(bits_per_symbol(format)));
        for (std::size_t i = 0; i < truth.bits[p].size(); ++i) truth.bits[p][i] = (i * (p + 5) / 3) % 2;
        truth.symbols[p] = map_bits(format, truth.bits[p], differential);
      }
      write_capture(before, folder.file("a.h5"));
      const Capture after = read_capture(folder.file("a.h5"));
      CHECK(after.truth->symbols == truth.symbols);
      CHECK(after.truth->bits == truth.bits);
      CHECK(after.truth->shaped == truth.shaped);
      const auto file = h5::File::open(folder.file("a.h5"));
      CHECK_FALSE(file.has("/truth/symbols"));
      CHECK(file.has("/truth/constellation_probability") == (format.shaped() != nullptr));
      CHECK(file.attribute_text("/truth/bits", "mapping") == (differential ? "quarter turns" : "point"));
    }
  }
}

TEST_CASE("a code beyond the constellation is refused, and symbols may come without bits and path") {
  const Folder folder;
  const auto put = [&](std::uint8_t code) {
    h5::create(folder.file("a.h5"), [&](h5::NewFile& file) {
      file.write<std::int16_t>("/adc/samples", std::vector<std::int16_t>(400, 1), {4, 100});
      file.attribute("/adc/samples", "sample_rate_hz", 64e9);
      file.write<std::uint8_t>("/truth/symbol_codes", std::vector<std::uint8_t>(100, code), {2, 50});
      file.write<std::complex<double>>("/truth/constellation", {{1, 0}, {-1, 0}});
    });
  };
  put(1);
  const Truth truth = read_capture(folder.file("a.h5")).truth.value();
  CHECK(truth.symbols[1] == Symbols(50, {-1.0, 0.0}));
  CHECK(truth.bits[0].empty());
  CHECK(truth.jones.empty());
  put(2);
  CHECK(message_of(folder.file("a.h5")) ==
        folder.file("a.h5") +
            ": data set /truth/symbol_codes holds the code 2, and /truth/constellation has 2 points");
}

TEST_CASE("a capture reads back as it was written, with and without OSNR, truth and scenario") {
  const Folder folder;
  const Capture before = small_capture();
  write_capture(before, folder.file("a.h5"));
  CHECK(folder.entries() == 1);
  const Capture after = read_capture(folder.file("a.h5"));
  CHECK(after.lanes == before.lanes);
  CHECK(after.sample_rate == before.sample_rate);
  CHECK(after.ampere_per_code == before.ampere_per_code);
  CHECK(after.scenario_text == before.scenario_text);
  CHECK(after.seed == before.seed);
  CHECK(after.frame == 3);
  CHECK(after.counters == before.counters);
  REQUIRE(after.truth.has_value());
  CHECK(after.truth->symbols == before.truth->symbols);
  CHECK(after.truth->bits == before.truth->bits);
  CHECK(after.truth->symbol_role == before.truth->symbol_role);
  CHECK(after.truth->jones == before.truth->jones);
  CHECK_FALSE(after.truth->osnr_db.has_value());

  Capture bare = before;
  bare.truth.reset();
  bare.scenario_text.clear();
  write_capture(bare, folder.file("b.h5"));
  CHECK_FALSE(read_capture(folder.file("b.h5")).truth.has_value());
}

TEST_CASE("what is not a capture is refused with one line that says what is wrong") {
  const Folder folder;
  CHECK(message_of(folder.file("none.h5")) == folder.file("none.h5") + ": no such file");
  CHECK(message_of(folder.path.string()) == folder.path.string() + ": is a folder, not a file");
  std::ofstream(folder.file("text.h5")) << "not HDF5 at all";
  CHECK(message_of(folder.file("text.h5")) ==
        folder.file("text.h5") + ": not an HDF5 file (or cannot be read)");

  write_capture(small_capture(), folder.file("cut.h5"));
  fs::resize_file(folder.file("cut.h5"), fs::file_size(folder.file("cut.h5")) / 2);
  CHECK(message_of(folder.file("cut.h5")) ==
        folder.file("cut.h5") + ": an HDF5 file, but truncated or damaged");

  h5::create(folder.file("other.h5"), [](h5::NewFile& file) {
    file.write("/waveform", std::vector<double>{1, 2, 3});
  });
  CHECK(message_of(folder.file("other.h5")) ==
        folder.file("other.h5") + ": not a cohlink capture (no data set /adc/samples)");
  h5::create(folder.file("flat.h5"),
             [](h5::NewFile& file) { file.write("/adc/samples", std::vector<std::int16_t>(8)); });
  CHECK(message_of(folder.file("flat.h5")) ==
        folder.file("flat.h5") + ": /adc/samples must have the shape [4 lanes, samples]");
}

TEST_CASE("a file that cannot be finished leaves nothing behind and keeps what was there") {
  const Folder folder;
  std::ofstream(folder.file("kept.h5")) << "earlier work";
  CHECK_THROWS_AS(
      h5::create(folder.file("kept.h5"), [](h5::NewFile&) { throw RunError("stopped half way"); }), RunError);
  CHECK(folder.entries() == 1);
  CHECK(fs::file_size(folder.file("kept.h5")) == 12);
  CHECK_THROWS_AS(write_capture(small_capture(), folder.file("no/folder/a.h5")), RunError);
}

namespace {

/// A file whose content differs from variant to variant, and from the second on its objects too.
void fill_variant(h5::NewFile& file, int variant) {
  const double value = 0.25 * variant;
  file.attribute("/", "kind", std::string("some"));
  file.attribute("/", "seed", static_cast<std::uint64_t>(variant));
  Axes axes(file);
  axes.labelled("/lane", {"XI", variant == 1 ? "YI" : "XQ"});
  file.write<std::complex<double>>("/a/points", std::vector<std::complex<double>>(6, {value, -value}),
                                   {2, 3});
  axes.attach("/a/points", {"/lane", "/place"});
  write_unit(file, "/a/points", "1");
  file.write_scalar("/a/b/gain", value);
  file.attribute("/a/b/gain", "range", std::vector<double>{0.0, value});
  file.attribute("/a", "count", static_cast<std::uint64_t>(7 * variant));
  file.write_text("/scenario", variant == 1 ? "[signal]" : "[fibre ]");
  if (variant == 2) file.write_deflated("/bits", std::vector<std::uint8_t>(4000, 1), {2, 2000});
  if (variant == 3) file.write_scalar("/more", 1.0);
  if (variant == 4) file.write_text("/mode", "longer");
  axes.finish();
}

std::string bytes_of(const std::string& path) {
  std::ifstream file(path, std::ios::binary);
  return {std::istreambuf_iterator<char>(file), {}};
}

}  // namespace

TEST_CASE("a file made from an earlier one has the bytes of one made anew") {
  const Folder folder;
  const auto check = [&](int variant) {
    CAPTURE(variant);
    const auto fill = [&](h5::NewFile& file) { fill_variant(file, variant); };
    h5::create(folder.file("new.h5"), fill);
    h5::create(folder.file("like.h5"), fill, {"variants", OnDisk::kLater});
    CHECK(bytes_of(folder.file("like.h5")) == bytes_of(folder.file("new.h5")));
  };
  for (const int variant : {0, 1, 0, 1, 2, 1, 0, 3, 0, 3, 3, 4, 3, 4, 4, 2, 2, 0, 1}) check(variant);
  CHECK(folder.entries() == 2);
  const auto half_way = [](h5::NewFile& file) {
    file.attribute("/", "kind", std::string("half"));
    throw RunError("stopped half way");
  };
  CHECK_THROWS_AS(h5::create(folder.file("like.h5"), half_way, {"variants"}), RunError);
  check(1);
  for (int k = 0; k < 3; ++k) {  // nothing in it
    h5::create(folder.file("like.h5"), [](h5::NewFile&) {}, {"nothing"});
    h5::create(folder.file("new.h5"), [](h5::NewFile&) {});
    CHECK(bytes_of(folder.file("like.h5")) == bytes_of(folder.file("new.h5")));
  }
}

TEST_CASE("threads that make files of several likenesses at once get the bytes of files made anew") {
  const Folder folder;
  std::string wanted[2];
  for (const int variant : {0, 1}) {
    h5::create(folder.file("new.h5"), [&](h5::NewFile& file) { fill_variant(file, variant); });
    wanted[variant] = bytes_of(folder.file("new.h5"));
  }
  std::atomic<int> others = 0;
  const auto make = [&](int worker) {
    const std::string path = folder.file(std::to_string(worker));
    for (int k = 0; k < 40; ++k) {
      const int variant = (k / 3 + worker) % 2;
      const auto fill = [&](h5::NewFile& file) { fill_variant(file, variant); };
      h5::create(path, fill, {"of " + std::to_string(k % 5), OnDisk::kLater});
      others += bytes_of(path) != wanted[variant];
    }
  };
  std::vector<std::jthread> workers;
  for (int worker = 0; worker < 4; ++worker) workers.emplace_back(make, worker);
  workers.clear();
  CHECK(others == 0);
}

TEST_CASE("captures of drawn values have the same bytes whichever came before") {
  const Folder folder;
  const Capture one = small_capture();
  Capture two = small_capture();
  two.lanes[2][17] = 31;
  two.ampere_per_code = {5e-6, 6e-6, 7e-6, 8e-6};
  two.scenario_text = "[signal]\nsymbols = 16384\n";
  two.seed = 5, two.counters["adc_clipped_samples"] = 12345678;
  two.truth->bits[1][3] = 1, two.truth->lo_phase_rad[7] = 3.0, two.truth->osnr_db = 14.5;
  two.truth->jones[0][1][0] = {0.5, 0.25};
  const std::string path = folder.file("a.h5");
  const auto write = [&](Capture capture, const char* counter) {
    capture.counters[counter] = 0;  // a likeness of its own, whose first two files are made from nothing
    write_capture(capture, path);
    return bytes_of(path);
  };
  const std::string first = write(one, "ones"), second = write(two, "twos");
  for (const char* counter : {"ones", "twos"}) {
    for (const bool later : {true, false, false, true, true, false}) {
      const Capture& wanted = later ? two : one;
      const std::string bytes = write(wanted, counter);
      CHECK(bytes.size() == first.size());
      if (!later && counter == std::string("ones")) CHECK(bytes == first);
      if (later && counter == std::string("twos")) CHECK(bytes == second);
      const Capture after = read_capture(path);
      CHECK(after.lanes == wanted.lanes);
      CHECK(after.ampere_per_code == wanted.ampere_per_code);
      CHECK(after.scenario_text == wanted.scenario_text);
      CHECK(after.truth->bits == wanted.truth->bits);
      CHECK(after.truth->lo_phase_rad == wanted.truth->lo_phase_rad);
      CHECK(after.truth->jones == wanted.truth->jones);
      CHECK(after.truth->osnr_db == wanted.truth->osnr_db);
    }
  }
}

TEST_CASE("a file that is to be settled and is not there is named") {
  const Folder folder;
  write_atomically(folder.file("there"), "whole", OnDisk::kLater);
  settle_files({folder.file("there")});
  settle_files({});
  CHECK_THROWS_WITH_AS(settle_files({folder.file("there"), folder.file("gone")}),
                       doctest::Contains("gone: cannot be brought to the disk"), RunError);
}
