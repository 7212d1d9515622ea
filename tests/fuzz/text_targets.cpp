#include <filesystem>
#include <sstream>
#include <stdexcept>

#include "sim/link_setup.h"
#include "sim/signal/line/loss_spectrum.h"
#include "sim/signal/record/capture.h"
#include "sim/signal/record/hdf5_write.h"
#include "sim/signal/record/known_symbols.h"
#include "sim/signal/record/trace.h"
#include "tests/fuzz/target.h"
#include "tools/cohlink/command_line.h"
#include "tools/study/files/decided.h"
#include "tools/study/files/draw.h"
#include "tools/study/parts/journal.h"
#include "tools/study/plan/fingerprint.h"
#include "tools/study/plan/plan.h"
#include "tools/study/plan/vary.h"
#include "tools/study/run/record.h"
#include "tools/study/run/sweep_run.h"

namespace cohlink::fuzz {
namespace {

std::vector<std::string> all_keys() {
  std::vector<std::string> words = {
      "[",    "]",       "=",    "#",        ";",       ":",       ",",       "|",    "[draw]", "[require.a]",
      "true", "choice:", "log:", "maxwell:", "normal:", "measure", "at_most", "vary", "set"};
  for (const auto& key : scenario_keys()) {
    words.push_back(key.full_name());
    words.emplace_back(key.name);
    words.push_back("[" + std::string(key.section) + "]");
  }
  return words;
}

// --- Scenario text. ---

/// What reads, reads back the same.
void run_scenario(const std::string& input) {
  Scenario scenario;
  scenario.read_text(input, "input");
  Scenario again;
  again.read_text(scenario.resolved(), "resolved");
  if (again.resolved() != scenario.resolved()) throw std::logic_error("a scenario does not read back");
  read_draws(scenario, {});
  link_setup(scenario);
}

// --- Options: one a line. ---

std::vector<std::string> lines_of(const std::string& text) {
  std::vector<std::string> lines;
  std::istringstream stream(text);
  for (std::string line; std::getline(stream, line);) lines.push_back(line);
  return lines;
}

void run_options(const std::string& input) {
  namespace po = boost::program_options;
  CommandLine line("sweep", "input");
  const auto texts = [] { return po::value<std::vector<std::string>>()->composing(); };
  line.own()("vary", texts(), "")("draw", texts(), "")("output,o", po::value<std::string>(), "")(
      "items,n", po::value<std::string>(), "")("part", po::value<std::string>(), "")(
      "measure", po::value<std::string>(), "");
  std::vector<std::string> arguments = lines_of(input);
  std::erase(arguments, "--help");
  std::erase(arguments, "-h");
  if (!line.parse(arguments)) return;
  line.count("items", 1);
  const Scenario scenario = layered(Scenario(), {}, line.common());
  read_draws(scenario, line.texts("draw"));
  SweepOrder order;
  auto axes = parse_vary(line.texts("vary"));
  std::size_t points = 1;
  for (const auto& axis : axes) points *= axis.values.size();
  if (points > 1000) return;  // legal, and slow
  order.plan = make_plan(scenario, std::move(axes), false);
  if (line.has("measure")) set_measure(order, line.text("measure"));
  if (line.has("part")) points_of(order.plan, parse_part(line.text("part")));
}

// --- Journals and the records in them. ---

/// A journal behind a first byte of 0x80 or more; without it the records of one, sealed here so that they are
/// read.
void run_journal(const std::string& input) {
  const RunIdentity identity = {{"command", "fuzz"}};
  std::string text = input.empty() ? "" : input.substr(1);
  if (!input.empty() && static_cast<unsigned char>(input[0]) < 0x80) {
    text = "cohlink journal 1 command=" + fingerprint("fuzz").text() + "\n";
    for (const auto& line : lines_of(input)) text += fingerprint(line).text() + " " + line + "\n";
  }
  Journal journal(scratch_file("journal", text), identity);
  std::size_t bytes = 0;
  for (const auto& record : journal.records()) bytes += record.size();
  if (bytes > text.size()) throw std::logic_error("a journal holds more than its file");
}

void run_record(const std::string& input) {
  try {
    if (to_line(frame_result_from(input)).empty()) throw std::logic_error("an empty record");
  } catch (const std::invalid_argument&) {
  }
  try {
    required_osnr_from(input);
  } catch (const std::invalid_argument&) {
  }
}

std::string a_record() {
  FrameResult result;
  result.count = {12, 4096};
  result.symbols = 2048;
  result.counters = {{"cycle_slips", 1}};
  result.first_warning = "a warning, of words";
  result.outputs = {{"snr_db", 11.5}};
  result.spread = {{"snr_db", {}}};
  return to_line(result);
}

// --- Recordings. ---

/// Files beside the description: an instant of four lanes is (k, -k, 2k, 3).
void write_recordings() {
  static bool written = false;
  if (std::exchange(written, true)) return;
  std::string binary, csv = "a, b, c, d\n";
  std::vector<std::int16_t> rows;
  for (int k = 0; k < 500; ++k) {
    const std::int16_t instant[4] = {static_cast<std::int16_t>(k), static_cast<std::int16_t>(-k),
                                     static_cast<std::int16_t>(2 * k), 3};
    binary.append(reinterpret_cast<const char*>(instant), sizeof instant);
    rows.insert(rows.end(), instant, instant + 4);
    csv += std::to_string(k) + ", " + std::to_string(-k) + ", 0.5, 1e3\n";
  }
  scratch_file("scope.bin", binary);
  scratch_file("scope.csv", csv);
  h5::create(scratch() + "/scope.h5", [&](h5::NewFile& file) {
    file.write<std::int16_t>("/lanes", std::span<const std::int16_t>(rows), {500, 4});
    file.write<std::complex<double>>("/symbols",
                                     std::vector<std::complex<double>>(128, {M_SQRT1_2, M_SQRT1_2}), {2, 64});
  });
}

void read_recording(const Scenario& scenario) {
  const std::vector<std::string> folders = {scratch()};
  if (!Trace::described(scenario)) return;
  const Trace trace(scenario, folders);
  const std::size_t count = std::min<std::size_t>(trace.samples(), 100);
  trace.read(0, count);
  trace.read(trace.samples() - count, count);
  known_symbols(scenario, folders);
}

void run_trace(const std::string& input) {
  write_recordings();
  Scenario scenario;
  scenario.read_text(input, "input");
  for (const char* key : {"trace.file", "trace.symbols_file"})  // nothing but what lies here
    if (scenario.text(key).find('/') != std::string::npos) return;
  for (const auto& name : scenario.list("trace.lane_files"))
    if (name.find('/') != std::string::npos) return;
  read_recording(scenario);
}

void run_csv(const std::string& input) {
  Scenario scenario;
  scenario.set("trace.file=" + scratch_file("input.csv", input));
  scenario.set("trace.format=csv");
  scenario.set("trace.sample_rate_gsa=64");
  read_recording(scenario);
}

void run_sigmf(const std::string& input) {
  scratch_file("input.sigmf-data", std::string(4096, 'a'));
  Scenario scenario;
  scenario.set("trace.file=" + scratch_file("input.sigmf-meta", input));
  read_recording(scenario);
}

// --- Symbols and bits decided elsewhere. ---

void run_npy(const std::string& input) {
  const std::string path = scratch_file("input.npy", input);
  for (const bool bits : {false, true}) try {
      const Scenario scenario;
      if (bits)
        symbols_of_bits(read_decided_bits(path, scenario), scenario);
      else
        read_decided_symbols(path, scenario);
    } catch (const InputError&) {
    }
}

/// A file in NumPy's format, version 1.
std::string npy(const std::string& type, const std::string& shape, const std::string& data) {
  std::string header = "{'descr': '" + type + "', 'fortran_order': False, 'shape': " + shape + ", }";
  header.resize(117, ' ');
  header += '\n';
  return std::string("\x93NUMPY\x01\x00", 8) + static_cast<char>(header.size()) + '\0' + header + data;
}

// --- Tables of fibre loss. ---

void run_loss_table(const std::string& input) {
  std::istringstream text(input);
  const LossTable table = read_loss_table(text, "input");
  for (std::size_t i = 1; i < table.frequency.size(); ++i)
    if (!(table.frequency[i] > table.frequency[i - 1])) throw std::logic_error("a table out of order");
}

std::vector<std::string> scenario_seeds() {
  return {Scenario().resolved(), "[signal]\nsymbols = 2048\n[draw]\nchannel.dgd_ps = maxwell:5\n",
          "[require.reach]\nset = fibre.spans=3\nmeasure = ber\nat_most = 1e-3\n",
          "[fibre]\nspan_lengths_km = 80, 90\nspan_types = G.652.D, G.655\n[channel]\ncount = 3\n"};
}

std::vector<std::string> trace_seeds() {
  return {
      "[trace]\nfile = scope.bin\nsample_rate_gsa = 64\nsymbols_file = scope.h5\n",
      "[trace]\nfile = scope.csv\nformat = csv\nsample_rate_gsa = 64\nscales = 1, 2, 3, 4\nfirst_sample = "
      "3\n",
      "[trace]\nfile = scope.h5\nformat = hdf5\ndatasets = /lanes\nsample_rate_gsa = 64\nlanes = XI, XQ, "
      "-YI, YQ\n",
      "[trace]\nfile = scope.bin\nlayout = lanes\nbyte_order = big\nskip_bytes = 8\nformat = int8\nsamples "
      "= 9\n"
      "lanes = XI, XQ\nsample_rate_gsa = 8\n"};
}

}  // namespace

std::vector<Target> text_targets() {
  const std::string journal = "cohlink journal 1 command=" + fingerprint("fuzz").text() + "\n" +
                              fingerprint("0 0 1").text() + " 0 0 1\n";
  return {
      {"scenario", run_scenario, scenario_seeds(), all_keys()},
      {"options",
       run_options,
       {"--vary\nchannel.osnr_db=9:1:12,adc.bits=4|6\n--part\n1/2\n--measure\nsnr_db",
        "--set\nsignal.symbols=2048\n--seed\n3\n--vary\nsignal.modulation=qpsk|16qam\n-n\n3",
        "--draw\nchannel.dgd_ps=maxwell:5\n--draw\nadc.bits=choice:4|6\n--vary=dsp.test_phases=8|16\n--"
        "threads=2"},
       all_keys()},
      {"journal",
       run_journal,
       {"\xff" + journal, a_record(), "0 0 " + a_record() + "\n1 0 " + a_record()},
       {"\n", " "}},
      {"record", run_record, {a_record(), to_line(RequiredOsnr{})}, {" ", "0x1p+3", "nan", "-inf"}},
      {"trace",
       run_trace,
       trace_seeds(),
       {"trace.file", "scope.bin", "scope.csv", "scope.h5", "/lanes", "/symbols", "skip", "float32",
        "lane_files = "}},
      {"npy",
       run_npy,
       {npy("<c8", "(2, 4)", std::string(64, 'a')), npy("<c16", "(3,)", std::string(48, 'b')),
        npy("|u1", "(2, 4)", std::string("\0\1\0\1\1\1\0\0", 8)), npy("<i8", "(2,)", std::string(16, '\0'))},
       {"'descr': '", "<c8", "<c16", "|b1", ">i4", "'fortran_order': True", "'shape': (",
        "(2, 99999999999999)", "(18446744073709551615, 2)"}},
      {"sigmf",
       run_sigmf,
       {R"({"global": {"core:datatype": "ci16_le", "core:version": "1.0.0", "core:sample_rate": 64e9,
            "core:num_channels": 2, "cohlink:ampere_per_code": [1e-6, 1e-6, 1e-6, 1e-6]},
            "captures": [{"core:sample_start": 0}], "annotations": []})",
        R"({"global": {"core:datatype": "cf32_be", "core:sample_rate": 8e9},
            "captures": [{"core:sample_start": 0, "core:header_bytes": 16}]})"},
       {"\"global\"", "\"captures\"", "core:datatype", "ci8", "core:header_bytes", "[[[[", "{\"a\":", "1e999",
        "null", "true"}},
      {"csv",
       run_csv,
       {"# a comment\nXI, XQ, YI, YQ\n1, 2, 3, 4\n-1; +2.5; 3e4; 0\n",
        "\xef\xbb\xbf"
        "1 2 3 4\n5 6 7 8",
        "1\t2\t3\t4\r\n"},
       {"\n", "\r\n", ",", ";", "nan", "inf", "1e39", "#", "\xef\xbb\xbf"}},
      {"loss-table",
       run_loss_table,
       {"wavelength_nm,db_per_km\n1530,0.21\n1550,0.19\n1570,0.2 # long end\n",
        "\xef\xbb\xbf"
        "frequency_thz; db_per_km\r\n192; 0.2\r\n193; 0.19\r\n"},
       {"\n", "\r\n", ",", ";", "nan", "inf", "1e999", "#", "frequency_thz", "1550"}},
  };
}

}  // namespace cohlink::fuzz
