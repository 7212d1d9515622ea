// Files that were damaged, or say of themselves what is not so: one line that names file and object, no
// crash.
#include <doctest/doctest.h>

#include <algorithm>
#include <filesystem>
#include <fstream>
#include <random>
#include <sstream>

#include "sim/signal/record/atomic_file.h"
#include "sim/signal/record/capture_file.h"
#include "sim/signal/record/hdf5_write.h"
#include "sim/signal/record/seal.h"
#include "sim/signal/scenario/errors.h"
#include "sim/signal/scenario/printable.h"

using namespace cohlink;
namespace fs = std::filesystem;

namespace {

// A folder of its own, gone at the end.
struct Folder {
  fs::path path = fs::temp_directory_path() / "cohlink-damaged-test";
  Folder() {
    fs::remove_all(path);
    fs::create_directories(path);
  }
  ~Folder() { fs::remove_all(path); }
  std::string file(const std::string& name) const { return (path / name).string(); }
};

std::string content(const std::string& path) {
  std::ifstream file(path, std::ios::binary);
  std::ostringstream text;
  text << file.rdbuf();
  return text.str();
}

void put(const std::string& path, const std::string& bytes) {
  std::ofstream(path, std::ios::binary) << bytes;
}

Capture plain_capture() {
  Capture c;
  c.lanes = Lanes(64);
  std::ranges::fill(c.lanes.codes(), 7);
  c.sample_rate = 64e9;
  c.scenario_text = "[signal]\nsymbols = 2048\n";
  c.counters = {{"adc_clipped_samples", 5}};
  Truth t;
  t.bits = {Bits(64, 1), Bits(64, 0)};
  t.symbols = {Symbols(32, {0.5, -0.25}), Symbols(32, {-1.0, 0.125})};
  t.tx_phase_rad.assign(32, 0.1);
  t.lo_phase_rad.assign(32, 0.2);
  t.jones.push_back(Jones{{{{{1, 0}, {0, 0}}}, {{{0, 0}, {1, 0}}}}});
  t.jones_frequency_hz = {0.0};
  c.truth = t;
  return c;
}

// The capture, changed by `edit` as another program would change it: without its seal.
template <class Edit>
std::string changed(const Folder& folder, Edit edit) {
  const std::string path = folder.file("changed.h5");
  write_capture(plain_capture(), path);
  const hid_t file = H5Fopen(path.c_str(), H5F_ACC_RDWR, H5P_DEFAULT);
  edit(file);
  H5Fclose(file);
  REQUIRE(seal_in(path) == Seal::kNone);
  return path;
}

// What is said of a file, without its path.
std::string said_of(const std::string& path) {
  try {
    read_capture(path);
  } catch (const InputError& error) {
    return std::string(error.what()).substr(path.size());
  }
  return "";
}

hid_t fixed_text(std::size_t length) {
  const hid_t type = H5Tcopy(H5T_C_S1);
  H5Tset_size(type, length);
  return type;
}

void make(hid_t file, const char* name, hid_t type, const std::vector<hsize_t>& shape,
          hid_t creation = H5P_DEFAULT) {
  if (H5Lexists(file, name, H5P_DEFAULT) > 0) H5Ldelete(file, name, H5P_DEFAULT);
  const hid_t space = H5Screate_simple(static_cast<int>(shape.size()), shape.data(), nullptr);
  H5Dclose(H5Dcreate2(file, name, type, space, H5P_DEFAULT, creation, H5P_DEFAULT));
  H5Sclose(space);
}

}  // namespace

TEST_CASE(
    "one turned bit anywhere in a file of ours is noticed before HDF5 reads it, or is in the seal alone") {
  const Folder folder;
  write_capture(plain_capture(), folder.file("a.h5"));
  const std::string whole = content(folder.file("a.h5"));
  REQUIRE(seal_in(folder.file("a.h5")) == Seal::kWhole);
  const std::size_t sealed = whole.rfind("\ncohlink seal");
  std::mt19937 random(1);
  for (int round = 0; round < 200; ++round) {
    const std::size_t at = random() % sealed;
    std::string damaged = whole;
    damaged[at] = static_cast<char>(damaged[at] ^ (1 << random() % 8));
    put(folder.file("b.h5"), damaged);
    CAPTURE(at);
    CHECK(seal_in(folder.file("b.h5")) == Seal::kBroken);
    CHECK_THROWS_AS(read_capture(folder.file("b.h5")), InputError);
  }
}

TEST_CASE("a file without a seal and with turned bits is read or refused, and the program lives on") {
  const Folder folder;
  write_capture(plain_capture(), folder.file("a.h5"));
  const std::string whole = content(folder.file("a.h5"));
  const std::string bare = whole.substr(0, whole.rfind("\ncohlink seal"));
  std::mt19937 random(2);
  for (int round = 0; round < 40; ++round) {
    std::string damaged = bare;
    for (int flip = 0; flip < 3; ++flip)
      damaged[random() % 2048] ^= static_cast<char>(1 << random() % 8);  // where the file describes itself
    put(folder.file("b.h5"), damaged);
    try {
      read_capture(folder.file("b.h5"));
    } catch (const InputError&) {
    }
  }
  put(folder.file("b.h5"), bare);
  CHECK(read_capture(folder.file("b.h5")).samples() == 64);
  CHECK_THROWS_AS(h5::File::open_sealed(folder.file("b.h5"), "compute it again"), InputError);
}

TEST_CASE("element types whose parts lie outside them are refused before anything is converted from them") {
  // HDF5 File Format Specification, "Datatype Message": class and bits, size, then offset and precision,
  // places and sizes of exponent and mantissa, bias; of a 64-bit float as IEEE 754 has it.
  const std::string real64("\x11\x20\x3f\x00\x08\x00\x00\x00\x00\x00\x40\x00\x34\x0b\x00\x34\xff\x03\x00\x00",
                           20);
  const Folder folder;
  write_capture(plain_capture(), folder.file("a.h5"));
  const std::string whole = content(folder.file("a.h5"));
  const std::string bare = whole.substr(0, whole.rfind("\ncohlink seal"));
  int refused = 0;
  for (std::size_t at = bare.find(real64); at != std::string::npos; at = bare.find(real64, at + 1)) {
    for (const std::size_t field : {9, 11, 12, 13, 14, 15}) {
      std::string damaged = bare;
      damaged[at + field] = static_cast<char>(damaged[at + field] | 0x40);
      put(folder.file("b.h5"), damaged);
      refused += said_of(folder.file("b.h5")).empty() ? 0 : 1;
    }
  }
  CHECK(refused >= 6);
}

TEST_CASE("what an object says of itself is checked before it is believed") {
  const Folder folder;
  const auto refused = [&](auto edit) { return said_of(changed(folder, edit)); };

  // Four texts where one belongs, which once overran the reader's buffer.
  CHECK(refused([](hid_t f) { make(f, "/scenario", fixed_text(4096), {4}); }) ==
        ": data set /scenario is not a single text");
  CHECK(refused([](hid_t f) { make(f, "/scenario", H5T_NATIVE_INT, {1}); }) ==
        ": data set /scenario does not hold text");
  CHECK(refused([](hid_t f) {
          H5Ldelete(f, "/scenario", H5P_DEFAULT);
          H5Gclose(H5Gcreate2(f, "/scenario", H5P_DEFAULT, H5P_DEFAULT, H5P_DEFAULT));
        }) == ": /scenario is not a data set");
  CHECK(refused([](hid_t f) {
          make(f, "/adc/samples", H5T_NATIVE_INT16, {4, hsize_t{1} << 28});
        }).starts_with(": data set /adc/samples says to be larger than the file can hold, [4, 268435456]"));
  CHECK(refused([](hid_t f) {
          make(f, "/adc/samples", H5T_NATIVE_INT16, {4, hsize_t{1} << 62});
        }).starts_with(": data set /adc/samples says to be larger than the file can hold"));
  CHECK(refused([](hid_t f) {
          make(f, "/truth/bits", H5T_NATIVE_UINT8, {2, 63});
        }) ==
        ": data set /truth/bits holds 63 bits a polarisation, which are not as many for each of 32 symbols");
  CHECK(refused([](hid_t f) {
          make(f, "/truth/symbols", H5T_NATIVE_DOUBLE, {2, 32});
        }) == ": data set /truth/symbols does not hold complex numbers (members r and i)");
  CHECK(refused([](hid_t f) { make(f, "/truth/tx_phase_rad", H5T_NATIVE_DOUBLE, {31}); }) ==
        ": data set /truth/tx_phase_rad must be [32], not [31]");
  CHECK(refused([](hid_t f) {
          make(f, "/truth/jones", H5T_NATIVE_DOUBLE, {1, 2, 3});
        }) == ": data set /truth/jones must be [1, 1, 2, 2], not [1, 2, 3]");
}

TEST_CASE("complex numbers under other names are named") {
  const Folder folder;
  const std::string path = changed(folder, [](hid_t f) {
    const hid_t type = H5Tcreate(H5T_COMPOUND, 16);
    H5Tinsert(type, "real", 0, H5T_NATIVE_DOUBLE);
    H5Tinsert(type, "imag", 8, H5T_NATIVE_DOUBLE);
    make(f, "/truth/symbols", type, {2, 32});
  });
  CHECK(said_of(path) ==
        ": data set /truth/symbols has the members real, imag where complex numbers (members r and i) are "
        "expected");
}

TEST_CASE("values that lie in another file are refused") {
  const Folder folder;
  put(folder.file("secret.bin"), std::string(512, 'x'));
  write_capture(plain_capture(), folder.file("other.h5"));
  const std::string outside = folder.file("secret.bin"), other = folder.file("other.h5");
  CHECK(said_of(changed(folder, [&](hid_t f) {
          const hid_t creation = H5Pcreate(H5P_DATASET_CREATE);
          H5Pset_external(creation, outside.c_str(), 0, 512);
          make(f, "/adc/samples", H5T_NATIVE_INT16, {4, 64}, creation);
        })).starts_with(": data set /adc/samples keeps its values in another file"));
  CHECK(said_of(changed(folder, [&](hid_t f) {
          H5Ldelete(f, "/truth", H5P_DEFAULT);
          H5Lcreate_external(other.c_str(), "/truth", f, "/truth", H5P_DEFAULT, H5P_DEFAULT);
        })).starts_with(": /truth/symbols is a link into another file"));
  CHECK(said_of(changed(folder, [&](hid_t f) {  // the same behind a link within the file
          H5Ldelete(f, "/scenario", H5P_DEFAULT);
          H5Lcreate_external(other.c_str(), "/scenario", f, "/elsewhere", H5P_DEFAULT, H5P_DEFAULT);
          H5Lcreate_soft("/elsewhere", f, "/scenario", H5P_DEFAULT, H5P_DEFAULT);
        })) == ": has no data set /scenario");
}

TEST_CASE("texts are written with fixed length, and those of variable length are read") {
  const Folder folder;
  const std::vector<std::string> texts = {"", "a", "a longer one, with \xc3\xa9"};
  h5::create(folder.file("a.h5"), [&](h5::NewFile& file) {
    file.write_texts("/texts", texts);
    file.write_text("/empty", "");
    file.attribute("/", "kind", std::string("a kind"));
  });
  const auto file = h5::File::open(folder.file("a.h5"));
  CHECK(file.read_texts("/texts") == texts);
  CHECK(file.read_text("/empty").empty());
  CHECK(file.attribute_text("/", "kind") == "a kind");

  const hid_t raw = H5Fcreate(folder.file("old.h5").c_str(), H5F_ACC_TRUNC, H5P_DEFAULT, H5P_DEFAULT);
  const hid_t type = fixed_text(H5T_VARIABLE);
  make(raw, "/texts", type, {2});
  const hid_t data = H5Dopen2(raw, "/texts", H5P_DEFAULT);
  const char* stored[2] = {"one", "another"};
  H5Dwrite(data, type, H5S_ALL, H5S_ALL, H5P_DEFAULT, stored);
  H5Dclose(data);
  H5Fclose(raw);
  CHECK(h5::File::open(folder.file("old.h5")).read_texts("/texts") ==
        std::vector<std::string>{"one", "another"});
}

TEST_CASE("what a killed run left beside an output is taken over by the next") {
  const Folder folder;
  put(folder.file("a.h5.part"), std::string(100000, 'x'));
  write_atomically(folder.file("a.h5"), "whole");
  CHECK(content(folder.file("a.h5")) == "whole");
  CHECK(std::distance(fs::directory_iterator(folder.path), {}) == 1);
}

TEST_CASE("control characters and bytes that are no UTF-8 are shown as numbers") {
  // ECMA-48: C0 and C1 controls steer a terminal; UTF-8 per RFC 3629.
  CHECK(printable("plain, \xc3\xa9 and \xe2\x80\x93") == "plain, \xc3\xa9 and \xe2\x80\x93");
  CHECK(printable("\x1b[2J\n\x7f") == "\\x1b[2J\\x0a\\x7f");
  CHECK(printable("\xc2\x9b"
                  "31m") == "\\x9b31m");
  CHECK(printable("\x9b \xff \xc3") == "\\x9b \\xff \\xc3");
}
