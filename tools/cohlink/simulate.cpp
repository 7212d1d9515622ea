// cohlink simulate: a scenario, or a capture to repeat, becomes a capture with truth.
#include <algorithm>
#include <atomic>
#include <cstdio>
#include <filesystem>
#include <iostream>
#include <mutex>
#include <optional>

#include "sim/link.h"
#include "sim/link_effort.h"
#include "sim/signal/constellation.h"
#include "sim/signal/frame_layout.h"
#include "sim/signal/line/read_line.h"
#include "sim/signal/record/capture.h"
#include "sim/signal/record/hdf5.h"
#include "sim/signal/record/sigmf.h"
#include "sim/signal/shaping.h"
#include "sim/signal/units.h"
#include "sim/signal/version.h"
#include "sim/step_check.h"
#include "tools/cohlink/command_line.h"
#include "tools/cohlink/commands.h"
#include "tools/cohlink/console.h"
#include "tools/cohlink/light_path.h"
#include "tools/cohlink/refusals.h"
#include "tools/cohlink/stopping.h"
#include "tools/study/plan/numbers.h"
#include "tools/study/plan/theory.h"
#include "tools/study/run/executor.h"

namespace cohlink {
namespace {

/// What to simulate: a scenario and the addresses of its random streams.
struct Order {
  Scenario scenario;
  std::uint64_t point = 0;
  std::vector<std::uint64_t> frames;

  /// Of frame `i` among them: "capture.h5" for a single one, else "capture-000.h5", "capture-001.h5", ... .
  /// Names that end in ".sigmf-meta" are recordings with metadata, without the truth.
  std::string path(const std::string& output, std::size_t i) const {
    if (frames.size() == 1) return output;
    char number[32];
    std::snprintf(number, sizeof number, "-%03llu", static_cast<unsigned long long>(frames[i]));
    const std::filesystem::path whole(output);
    return (whole.parent_path() / (whole.stem().string() + number + whole.extension().string())).string();
  }
};

/// Another version may draw other random numbers, as those before 0.2 did.
void note_other_version(const std::string& path, bool quiet) {
  const h5::File file = h5::File::open(path);
  if (!file.has_attribute("/", "version")) return;
  const std::string made = file.attribute_text("/", "version");
  if (made != version().number)
    note(quiet, path + ": made by version " + made + "; this is " + version().number +
                    ", and may not repeat it to the last byte");
}

/// A capture says all that is needed to make it again.
Order repeat_order(const std::string& path, const CommonOptions& options) {
  const Capture capture = read_capture(path);
  if (capture.scenario_text.empty())
    throw InputError(path, "was not made by a simulation (it has no /scenario), so it cannot be repeated");
  note_other_version(path, options.quiet);
  Order order;
  order.scenario.read_text(capture.scenario_text, path + ":/scenario");
  order.scenario.set("run.seed", std::to_string(capture.seed), path);
  const std::string frames = order.scenario.written("run.frames");
  order.scenario = layered(order.scenario, {options.files.begin() + 1, options.files.end()}, options);
  if (order.scenario.written("run.frames") != frames)
    order.scenario.reject("run.frames",
                          "has no say here: a capture is repeated, which is one frame; --frame N makes "
                          "another, its scenario several");
  order.point = capture.point;
  order.frames = {capture.frame};
  return order;
}

Order scenario_order(const CommonOptions& options) {
  Order order;
  order.scenario = layered(Scenario(), options.files, options);
  refuse_recording(order.scenario);
  note_unused_draws(order.scenario, options.quiet);
  caution_unread(order.scenario);
  for (std::int64_t frame = 0; frame < order.scenario.integer("run.frames"); ++frame)
    order.frames.push_back(static_cast<std::uint64_t>(frame));
  return order;
}

std::uint64_t count_of(const Capture& capture, const char* counter) {
  const auto found = capture.counters.find(counter);
  return found == capture.counters.end() ? 0 : found->second;
}

/// Limits that were met elsewhere than in the ADC, where they were.
void add_other_clipping(std::vector<Fact>& facts, const Capture& capture) {
  struct Limit {
    const char *counter, *label;
  };
  for (const Limit& limit : {Limit{"dac_clipped_samples", "clipped in the DAC"},
                             Limit{"predistortion_clipped_samples", "clipped by predistortion"},
                             Limit{"rin_clipped_samples", "laser power cut at zero"}})
    if (const auto count = count_of(capture, limit.counter); count > 0)
      facts.push_back({limit.counter, limit.label, count, grouped(count) + " samples"});
}

std::vector<Fact> describe_signal(const Scenario& scenario, const Capture& capture) {
  const double symbol_rate = scenario.number("signal.symbol_rate_gbd");
  const Modulation modulation = scenario_modulation(scenario);
  const double bit_rate = 2.0 * constellation(modulation).entropy() * symbol_rate;
  const double payload = frame_layout(scenario).payload_share();
  const auto symbols = static_cast<std::uint64_t>(capture.truth ? capture.truth->symbols[0].size() : 0);
  const double seconds = static_cast<double>(capture.samples()) / capture.sample_rate;
  const std::uint64_t clipped = count_of(capture, "adc_clipped_samples");
  std::vector<Fact> facts = {
      {"symbols", "symbols", symbols, grouped(symbols) + " per polarisation"},
      {"symbol_rate_hz", "signal", symbol_rate * 1e9,
       readable(symbol_rate, 6) + " GBd " + modulation_title(modulation) +
           (bit_rate > 0 ? ", " + readable(bit_rate, 6) + " Gb/s line rate" : "") +
           (payload < 1.0 ? ", " + readable(bit_rate * payload, 6) + " Gb/s without pilots" : "")},
      {"samples", "samples", static_cast<std::uint64_t>(capture.samples()),
       grouped(capture.samples()) + " in each of 4 lanes"},
      {"sample_rate_hz", "sample rate", capture.sample_rate,
       readable(capture.sample_rate / 1e9, 6) + " GSa/s"},
      {"duration_s", "duration", seconds, readable(seconds * 1e6) + " us"},
      {"adc_clipped_samples", "clipped", clipped, grouped(clipped) + " samples"},
  };
  add_other_clipping(facts, capture);
  return facts;
}

std::vector<Fact> describe_channels(const Comb& comb) {
  const auto count = static_cast<std::uint64_t>(comb.channels.size());
  if (count == 1) return {};
  return {{"channels", "channels", count,
           std::to_string(count) + " every " + readable(comb.spacing / 1e9) + " GHz, number " +
               std::to_string(comb.tested().number) + " received"}};
}

/// The numerical error of the split steps, by running the frame again with half the step.
std::vector<Fact> describe_steps(const StepCheck& check) {
  return {{"step_error_db", "numerical error", check.error_db,
           readable(check.error_db) + " dB of the light, " + grouped(check.steps) + " steps against " +
               grouped(check.halved_steps)},
          {"step_limited_snr_db", "", check.limited_snr_db, ""},
          {"", "SNR it would limit", Cell(),
           readable(check.limited_snr_db) + " dB, channel under test after its matched filter"}};
}

std::vector<Fact> describe_path(const Scenario& scenario, const Line& line, const Capture& capture) {
  const Truth truth = capture.truth.value_or(Truth{});
  const double launch = as_written(watt_to_dbm(line.comb.tested().power));
  return {
      {"spans", "path", static_cast<std::uint64_t>(line.sections.size()), describe_spans(line)},
      {"launch_power_dbm", "launch power", launch, readable(launch) + " dBm"},
      received_power_fact(scenario, "received power"),
      {"osnr_db", "OSNR", truth.osnr_db ? Cell(*truth.osnr_db) : Cell(),
       truth.osnr_db ? readable(*truth.osnr_db) + " dB in 12.5 GHz" : "no noise on the path"},
      {"dispersion_ps_per_nm", "dispersion", truth.dispersion_ps_per_nm,
       readable(truth.dispersion_ps_per_nm, 6) + " ps/nm"},
      {"dgd_ps", "DGD", truth.dgd_ps, readable(truth.dgd_ps) + " ps"},
      {"frequency_offset_hz", "frequency offset", truth.frequency_offset_hz,
       readable(truth.frequency_offset_hz / 1e6) + " MHz"},
  };
}

/// What an interrupted run leaves.
std::string captures_left(std::size_t written, std::size_t wanted) {
  if (written == 0) return "nothing was written";
  return std::to_string(written) + " of " + std::to_string(wanted) +
         (wanted == 1 ? " capture" : " captures") + " were written";
}

constexpr char kAbout[] =
    "Simulates the light path of a scenario and writes what the four ADC lanes captured, with the ground\n"
    "truth. Given a capture instead of a scenario, repeats it from its own /scenario, seed and frame:\n"
    "the same to the last byte. With run.frames above 1 writes capture-000.h5, capture-001.h5, ...\n"
    "With -o NAME.sigmf-meta writes a SigMF recording, its samples in NAME.sigmf-data, without the truth.\n"
    "Ctrl-C stops soon, or when the file at hand is written; captures are whole or not there.";

void declare_options(CommandLine& line) {
  namespace po = boost::program_options;
  line.own()("output,o", po::value<std::string>()->value_name("FILE"), "the capture to write")(
      "frame", po::value<std::string>()->value_name("N"), "make frame N alone (frames count from 0)")(
      "check-steps", "propagate the first frame again at half the step and print the numerical error");
}

Order read_order(const CommandLine& line) {
  const CommonOptions& options = line.common();
  if (options.files.empty()) throw InputError("simulate needs a scenario file");
  if (options.output.empty()) throw InputError("simulate needs -o FILE for the capture");
  check_output(options.output, options.files);
  Order order = looks_like_hdf5(options.files.front()) ? repeat_order(options.files.front(), options)
                                                       : scenario_order(options);
  if (const auto frame = line.count("frame")) order.frames = {*frame};
  for (std::size_t i = 0; i < order.frames.size(); ++i) {
    const std::string path = order.path(options.output, i);
    keep_inputs(path, options.files);
    if (names_sigmf(path)) keep_inputs(sigmf_data_path(path), named_inputs(order.scenario, options.files));
  }
  return order;
}

/// How far the frames have come. Most of a frame's time goes into its fibre; what comes after is done when
/// the file is written.
class Progress {
 public:
  Progress(std::size_t frames, bool quiet) : frames_(frames), bar_(quiet) {}
  void propagated(double share) {
    propagated_ += share;
    show();
  }
  void written() {
    ++written_;
    show();
  }
  void clear() { bar_.clear(); }
  /// What an interrupted run leaves.
  std::string left() const { return captures_left(written_, frames_); }

 private:
  void show() {
    const double fibre = propagated_, whole = static_cast<double>(written_);
    bar_.show(std::max(0.98 * fibre, whole) / static_cast<double>(frames_),
              std::to_string(written_) + " of " + std::to_string(frames_) + " frames");
  }
  std::size_t frames_;
  ProgressBar bar_;
  std::atomic<std::size_t> written_ = 0;
  std::atomic<double> propagated_ = 0.0;  // frames, in shares
};

std::vector<Fact> describe(const Scenario& scenario, const Capture& capture) {
  std::vector<Fact> facts = describe_signal(scenario, capture);
  const Line optical = read_line(scenario);
  for (auto& fact : describe_channels(optical.comb)) facts.push_back(std::move(fact));
  for (auto& fact : describe_path(scenario, optical, capture)) facts.push_back(std::move(fact));
  return facts;
}

void write(const Capture& capture, const Scenario& scenario, const std::string& path) {
  names_sigmf(path) ? write_sigmf(capture, read_line(scenario).carrier(), path)
                    : write_capture(capture, path);
}

/// What a frame takes, told beforehand where that is more than a moment or a laptop's share of memory.
void tell_effort(const Order& order, unsigned threads, bool quiet) {
  constexpr double kMoment = 3e9, kMuch = 1e9;  // samples times steps: minutes of a core; bytes
  const LinkEffort effort = link_effort(order.scenario);
  const double bytes = effort.bytes * threads;
  if (static_cast<double>(effort.samples) * static_cast<double>(effort.split_steps) < kMoment &&
      bytes < kMuch)
    return;
  note(quiet, "a frame is " + grouped(effort.samples) + " samples through " + grouped(effort.split_steps) +
                  " split steps" + (effort.adaptive_stretches > 0 ? " and more, as their error asks" : "") +
                  "; about " + readable(bytes / 1e9, 2) + " GB of memory" +
                  (threads > 1 ? " for " + std::to_string(threads) + " threads" : ""));
}

/// Makes and writes every frame of the order; what is told of the first.
std::vector<Fact> write_frames(const Order& order, const Link& link, const Execution& execution,
                               const CommonOptions& options, Progress& progress) {
  std::mutex files;  // HDF5 is not thread-safe
  std::vector<Fact> facts;
  const unsigned threads = thread_count(asked_threads(options, order.scenario), order.frames.size());
  tell_effort(order, threads, options.quiet);
  for_each_index(order.frames.size(), threads, [&](std::size_t i) {
    const Capture capture = link(order.frames[i], order.point);
    const std::lock_guard lock(files);
    execution.check();
    write(capture, order.scenario, order.path(options.output, i));
    if (i == 0) facts = describe(order.scenario, capture);
    progress.written();
  });
  return facts;
}

}  // namespace

int simulate(const Arguments& arguments) {
  CommandLine line("simulate SCENARIO... -o capture.h5", kAbout);
  declare_options(line);
  if (!line.parse(arguments)) return kDone;
  const CommonOptions& options = line.common();
  const Order order = read_order(line);
  Progress progress(order.frames.size(), options.quiet);
  const Execution execution = Execution(FftCache(planning_of(order.scenario))).heard_by([&](double share) {
    progress.propagated(share);
  });
  const Link link(order.scenario, execution);
  std::vector<Fact> facts;
  try {
    const StopBySignal stop(execution, [&] {
      progress.clear();
      return progress.left();
    });
    light_hazard_caution(link.peak_fibre_power());
    set_up_cautions({order.scenario});
    facts = write_frames(order, link, execution, options, progress);
    progress.clear();
    if (line.has("check-steps"))
      for (auto& fact : describe_steps(
               check_steps(order.scenario, order.frames.front(), order.point, execution.unheard())))
        facts.push_back(std::move(fact));
  } catch (const Stopped&) {
    progress.clear();
    return end_stopped(progress.left());
  }
  const std::string first = order.path(options.output, 0),
                    last = order.path(options.output, order.frames.size() - 1);
  facts.push_back({"file", "written", first, first + (first == last ? "" : " to " + last)});
  print(std::cout, facts, options.format);
  return kDone;
}

}  // namespace cohlink
