#include <cstring>
#include <filesystem>
#include <fstream>
#include <iostream>
#include <sstream>
#include <string_view>

#include "sim/signal/record/capture.h"
#include "sim/signal/record/hdf5_write.h"
#include "sim/signal/record/seal.h"
#include "sim/signal/shaping.h"
#include "tests/fuzz/hdf5_changes.h"
#include "tests/fuzz/target.h"
#include "tools/cohlink/commands.h"
#include "tools/study/files/curve.h"
#include "tools/study/files/study_file.h"
#include "tools/study/plan/vary.h"
#include "tools/study/run/sweep_parts.h"
#include "tools/study/run/sweep_run.h"

namespace cohlink::fuzz {
namespace {

std::string content(const std::string& path) {
  std::ifstream file(path, std::ios::binary);
  std::ostringstream text;
  text << file.rdbuf();
  return text.str();
}

// --- Files that are whole, as the program writes them. ---

Scenario small_scenario() {
  Scenario scenario;
  scenario.set("signal.symbols=1024");
  return scenario;
}

void write_small_capture(const std::string& path) {
  Capture c;
  c.lanes = Lanes(64);
  for (std::size_t lane = 0; lane < 4; ++lane)
    for (int k = 0; k < 64; ++k) c.lanes[lane][k] = static_cast<std::int16_t>(k * (lane % 2 ? -1 : 1));
  c.sample_rate = 64e9;
  c.scenario_text = small_scenario().resolved();
  c.counters = {{"adc_clipped_samples", 5}};
  Truth t;
  t.shaped = shaped(Modulation::kQam16, 3.3);
  t.bits = {Bits(128, 1), Bits(128, 0)};
  for (std::size_t p = 0; p < 2; ++p) t.symbols[p] = map_bits(*t.shaped, t.bits[p], false);
  t.symbol_role.assign(32, 1);
  t.tx_phase_rad.assign(32, 0.1);
  t.lo_phase_rad.assign(32, 0.2);
  t.osnr_db = 14.0;
  t.jones.assign(3, Jones{{{{{1, 0}, {0, 0}}}, {{{0, 0}, {1, 0}}}}});
  t.jones_frequency_hz = {-1e9, 0, 1e9};
  t.transmitter.emplace();
  t.frontend.emplace();
  t.lanes.emplace();
  c.truth = t;
  write_capture(c, path);
}

void write_small_result(const std::string& path) {
  h5::create(path, [](h5::NewFile& file) {
    write_provenance(file, "cohlink result", small_scenario());
    for (const char* name : {"frame", "point"}) file.attribute("/", name, std::uint64_t{0});
    for (const char* name : {"ber", "ber_low", "ber_high", "q_db", "snr_db", "evm_percent"})
      file.attribute("/", name, 0.01);
    file.attribute("/", "verdict", std::string("pass"));
    file.write<std::complex<float>>("/symbols", std::vector<std::complex<float>>(64, {0.7f, 0.7f}), {2, 32});
    file.write<std::complex<float>>("/stages/01-deskew/points", std::vector<std::complex<float>>(8), {2, 4});
    file.attribute("/stages/01-deskew/points", "block", std::string("deskew"));
    file.write_texts("/warnings", {"a warning"});
  });
}

SweepOrder small_sweep() {
  SweepOrder order;
  order.plan =
      make_plan(small_scenario(), parse_vary({"channel.osnr_db=9|10,signal.modulation=qpsk|16qam"}), false);
  return order;
}

SweepRecords counted(const SweepOrder& order, const Part& part) {
  SweepRecords records;
  FrameResult result;
  result.count = {12, 4096};
  result.symbols = 2048;
  result.noise_sum = 100;
  result.scored_frames = 1;
  for (const std::size_t point : points_of(order.plan, part))
    records.tallies.push_back(Tally::counted(order.plan.points[point].stop, 1, result));
  return records;
}

void write_small_curve(const std::string& path) {
  const SweepOrder order = small_sweep();
  const SweepRecords records = counted(order, {});
  write_curve(order.plan, records.tallies, curve_table(order.plan, records.tallies), "", path);
}

void write_small_part(const std::string& path) {
  const SweepOrder order = small_sweep();
  write_part(order, counted(order, {1, 2}), {1, 2}, path);
  write_part(order, counted(order, {2, 2}), {2, 2}, scratch() + "/other-part.h5");
}

void write_small_study(const std::string& path) {
  Table table;
  table.add("adc.bits").cells = {4.0, 5.0};
  table.add("margin_db").cells = {0.5, -0.5};
  table.add("margin_low_db").cells = {0.4, -0.6};
  table.add("margin_high_db").cells = {0.6, -0.4};
  table.add("frames").cells = {std::uint64_t{3}, std::uint64_t{4}};
  table.add("verdict").cells = {std::string("pass"), std::string("fail")};
  table.add("outage").cells = {true, false};
  Table penalties = table;
  penalties.add("snr_penalty_db").cells = {0.1, 2.0};
  write_study({"limit",
               {{"probes", table}, {"realisations", penalties}},
               {{"limit", "limit", 4.5, "4.5"}, {"found", "found", std::string("found"), ""}}},
              small_scenario(), path);
}

// --- Readers. ---

/// What commands print goes nowhere.
class Silence {
 public:
  Silence() : out_(std::cout.rdbuf(nowhere_.rdbuf())), error_(std::cerr.rdbuf(nowhere_.rdbuf())) {}
  ~Silence() {
    std::cout.rdbuf(out_);
    std::cerr.rdbuf(error_);
  }
  Silence(const Silence&) = delete;
  Silence& operator=(const Silence&) = delete;

 private:
  std::ostringstream nowhere_;
  std::streambuf *out_, *error_;
};

/// Scripts that begin so turn bits; others change objects.
constexpr std::string_view kTurnsBits = "turn";

/// `image` with the bits turned that the script's groups of four bytes name, eight at most.
std::string with_turned_bits(std::string image, const std::string& script) {
  constexpr std::size_t kMostBits = 8, kGroup = 4;
  for (std::size_t i = kTurnsBits.size(), turned = 0; i + kGroup <= script.size() && turned < kMostBits;
       i += kGroup, ++turned) {
    std::uint32_t place = 0;
    std::memcpy(&place, script.data() + i, kGroup);
    image[place / 8 % image.size()] ^= static_cast<char>(1 << place % 8);
  }
  return image;
}

/// A file that is whole but for the changes. Sealed where objects changed, so that it is read; without a seal
/// where bits were turned: a seal would but refuse them, and what has none is read all the same.
std::string changed(const std::string& name, void (*write)(const std::string&), const std::string& script) {
  static std::map<std::string, std::string> wholes;
  std::string& whole = wholes[name];
  if (whole.empty()) {
    write(scratch() + "/" + name);
    whole = content(scratch() + "/" + name);
    whole.resize(whole.rfind("\ncohlink seal"));
  }
  if (script.starts_with(kTurnsBits)) return scratch_file("changed.h5", with_turned_bits(whole, script));
  std::string image = changed_file(whole, script);
  image += seal_of(image);
  return scratch_file("changed.h5", image);
}

void read_everyway(const std::string& path, const std::vector<int (*)(const Arguments&)>& commands) {
  const Silence silence;
  for (const auto command : commands) try {
      command(command == report ? Arguments{path, "-o", scratch() + "/page.html"} : Arguments{path});
    } catch (const InputError&) {
    } catch (const RunError&) {
    }
}

void run_capture(const std::string& script) {
  read_everyway(changed("capture.h5", write_small_capture, script), {inspect});
}
void run_result(const std::string& script) {
  read_everyway(changed("result.h5", write_small_result, script), {inspect, report});
}
void run_curve(const std::string& script) {
  read_everyway(changed("curve.h5", write_small_curve, script), {inspect, report});
}
void run_study(const std::string& script) {
  read_everyway(changed("study.h5", write_small_study, script), {inspect, report});
}
void run_part(const std::string& script) {
  const std::string path = changed("part.h5", write_small_part, script);
  merge_parts({path, scratch() + "/other-part.h5"});
}

}  // namespace

std::vector<Target> file_targets() {
  std::vector<std::string> scripts = {""};
  for (int k = 0; k < 64; ++k) {  // every kind of change to every object, about
    std::string script;
    for (int i = 0; i < 40; ++i) script += static_cast<char>(k * 37 + i * (2 * k + 1));
    scripts.push_back(script);
  }
  const std::string turning = std::string(kTurnsBits) + "bits to be turned";
  std::vector<Target> targets;
  for (const auto& [name, run] : {std::pair<const char*, Run>{"capture", run_capture},
                                  {"result", run_result},
                                  {"curve", run_curve},
                                  {"study", run_study},
                                  {"part", run_part}})
    for (const bool bits : {false, true})
      targets.push_back(bits ? Target{std::string(name) + std::string(kSlow), run, {turning}, {}}
                             : Target{name, run, scripts, {}});
  return targets;
}

}  // namespace cohlink::fuzz
