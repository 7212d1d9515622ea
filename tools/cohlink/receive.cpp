// cohlink receive: a capture becomes numbers, a verdict and, if asked for, a result file.
#include <algorithm>
#include <cmath>
#include <iostream>
#include <optional>

#include "rx/receiver.h"
#include "rx/recording/lane_arrangement.h"
#include "rx/recording/lane_health.h"
#include "rx/recording/long_capture.h"
#include "sim/signal/read_modulation.h"
#include "sim/signal/record/capture.h"
#include "sim/signal/record/sigmf.h"
#include "sim/signal/record/trace.h"
#include "sim/signal/shaping.h"
#include "tools/cohlink/command_line.h"
#include "tools/cohlink/commands.h"
#include "tools/cohlink/console.h"
#include "tools/cohlink/foreign.h"
#include "tools/cohlink/knock_out.h"
#include "tools/cohlink/receive_report.h"
#include "tools/cohlink/refusals.h"
#include "tools/cohlink/result_file.h"
#include "tools/cohlink/stopping.h"
#include "tools/study/cost_table.h"

namespace cohlink {
namespace {

constexpr char kNothingWritten[] = "nothing was written";

bool is_captured(const std::string& file) {
  return looks_like_hdf5(file) || file.ends_with(".h5") || file.ends_with(".hdf5");
}

/// The captures among the files; the others, which stay, are scenarios.
std::vector<std::string> captures_among(std::vector<std::string>& files) {
  const auto scenarios = std::stable_partition(files.begin(), files.end(), is_captured);
  std::vector<std::string> captures(files.begin(), scenarios);
  files.erase(files.begin(), scenarios);
  return captures;
}

Scenario receiver_scenario(const Capture& capture, const std::string& path,
                           const std::vector<std::string>& files, const CommonOptions& options) {
  Scenario scenario;
  if (!capture.scenario_text.empty())
    scenario.read_text(capture.scenario_text, path + ":/scenario");
  else if (files.empty() && options.settings.empty() && options.ties.empty())
    note(options.quiet,
         path + ": holds no scenario; every key has its default (give a scenario file to change that)");
  return layered(scenario, files, options);
}

/// What was sent, where that is known, must be of the modulation that the receiver is told.
void check_modulation(const Capture& capture, const Scenario& scenario) {
  const std::size_t symbols = capture.truth ? capture.truth->symbols[0].size() : 0;
  if (symbols == 0) return;
  const Modulation format = read_modulation(scenario),
                   drawn = capture.truth->shaped.value_or(Modulation(format.row()));
  if (drawn != format)
    scenario.reject("signal.entropy_bits",
                    "is not what was sent: /truth has symbols of " + modulation_title(drawn));
  const std::size_t sent = capture.truth->bits[0].size() / symbols;
  const std::string told = scenario.text("signal.modulation");
  const int bits = bits_per_symbol(modulation_named(told));
  if (static_cast<std::size_t>(bits) != sent)
    scenario.reject("signal.modulation", "is not what was sent: /truth has symbols of " +
                                             std::to_string(sent) + " bits, " + told + " of " +
                                             std::to_string(bits));
}

/// What is wrong with the lanes is said of their file; without known symbols a lane that is no signal's is no
/// lock.
void report_lanes(const Capture& capture, const std::string& path, ReceiverResult& result) {
  const auto found = lane_findings(capture);
  for (const auto& fault : found.faults) caution(path + ": " + fault);
  for (const auto& warning : found.warnings) caution(path + ": " + warning);
  if (found.faults.empty() || capture.truth) return;
  result.locked = false;
  result.warnings.push_back("no lock: " + found.faults.front());
}

std::size_t symbols_of(const Capture& capture, const Scenario& scenario) {
  const double seconds = static_cast<double>(capture.samples()) / capture.sample_rate;
  return static_cast<std::size_t>(std::lround(seconds * scenario.number("signal.symbol_rate_gbd") * 1e9));
}

/// Whatever the receiver finds wrong with a capture is said of its file.
ReceiverResult receive_named(const Receiver& receiver, const Scenario& scenario, const Capture& capture,
                             const std::string& path) {
  try {
    if (capture.truth && scenario.boolean("fec.decode"))  // a frame too short to decode, before any work
      receiver.check_length(capture.sample_rate, symbols_of(capture, scenario));
    ReceiverResult result = receiver(capture);
    if (scenario.boolean("trace.check_lanes")) name_lane_fault(receiver, capture, result);
    report_lanes(capture, path, result);
    return result;
  } catch (const InputError& error) {
    throw error.in(path);
  }
}

/// Tables that stand in for the report. True when one was asked for and printed.
bool printed_table(const CommandLine& line, const Receiver& receiver, const Scenario& scenario,
                   const Capture& capture, const Execution& execution) {
  if (line.has("knock-out"))
    print(std::cout, knock_out_table(capture, scenario, execution), line.common().format);
  if (line.has("cost")) {
    print(std::cout, cost_table(receiver, scenario, capture), line.common().format);
    if (line.common().format == Format::kText)
      std::cout << cost_basis(scenario) << '\n';
    else
      note(line.common().quiet, cost_basis(scenario));
  }
  return line.has("knock-out") || line.has("cost");
}

int conclude(const CommonOptions& options, const Received& received) {
  const auto& [capture, scenario, result, pieces] = received;
  const std::vector<Fact> facts = receive_report(received);
  if (!options.output.empty()) write_result(received, facts, options.output);
  for (const auto& warning : result.warnings) caution(warning);
  if (!capture.truth && scenario.boolean("fec.decode"))
    caution("nothing decoded (fec.decode): it is not known what was sent");
  print(std::cout, facts, options.format);
  return result.locked && count_pieces(pieces).lost == 0 ? kDone : kRunFailed;
}

/// A capture of the link that the first one is of.
void check_alike(const Capture& capture, const std::string& path, const Capture& head,
                 const std::string& first) {
  if (capture.sample_rate != head.sample_rate)
    throw InputError(path, "has another sample rate than " + first);
  if (capture.truth.has_value() != head.truth.has_value())
    throw InputError(path,
                     std::string("holds ") + (capture.truth ? "a truth" : "no truth") + ", unlike " + first);
  if (capture.scenario_text.empty() || head.scenario_text.empty()) return;
  constexpr std::string_view kRate = "signal.symbol_rate_gbd";
  Scenario own, its;
  own.read_text(capture.scenario_text, path + ":/scenario");
  its.read_text(head.scenario_text, first + ":/scenario");
  if (own.number(kRate) != its.number(kRate))
    throw InputError(path, "is of " + own.written(kRate) + " GBd, " + first + " of " + its.written(kRate));
}

/// Captures of one link, each received by itself; bits of fec.frames of them are decoded together. What does
/// not add up is the first one's that locks.
LongResult receive_in_a_row(const Receiver& receiver, const Scenario& scenario, const Capture& head,
                            const std::vector<std::string>& paths) {
  LongResult result;
  ReceiverResult& total = result.total;
  PieceSum sum(receiver);
  std::size_t start = 0;
  bool locked = false;
  for (const std::string& path : paths) {
    const bool first = path == paths.front();
    const Capture capture = first ? head : read_capture(path);
    if (!first) check_alike(capture, path, head, paths.front());
    check_modulation(capture, scenario);
    const ReceiverResult piece = receive_named(receiver, scenario, capture, path);
    result.pieces.push_back(piece_result(piece, start));
    start += capture.samples();
    const std::size_t discarded = first ? 0 : total.discarded_symbols;
    if (first || (piece.locked && !locked)) take_over(total, piece);
    total.discarded_symbols = discarded + piece.discarded_symbols;
    locked |= piece.locked;
    if (piece.locked) sum.add(total, piece);
    if (!first) add_counters(total.counters, capture.counters);  // the head's are told with it
    add_counters(total.counters, piece.counters);
    for (const auto& warning : piece.warnings) total.warnings.push_back(path + ": " + warning);
  }
  sum.finish(total);
  total.locked = locked;
  return result;
}

int receive_captures(const CommandLine& line) {
  const CommonOptions& options = line.common();
  std::vector<std::string> files = options.files;
  const std::vector<std::string> paths = captures_among(files);
  const std::string& path = paths.front();
  if (paths.size() > 1 && (line.has("knock-out") || line.has("cost")))
    throw InputError(paths[1], "--knock-out and --cost look at one capture");
  const Capture capture = read_capture(path);
  const Scenario scenario = receiver_scenario(capture, path, files, options);
  check_modulation(capture, scenario);
  refuse_sparse_samples(capture.sample_rate, scenario, path);
  caution_unread(scenario);
  FftCache fft(planning_of(scenario));
  ProgressBar bar(options.quiet);
  double done = 0.0;
  const Execution execution =
      Execution(fft).heard_by([&](double share) { bar.show(done += share, "received"); });
  Receiver receiver(scenario, execution);
  receiver.decode_together(static_cast<std::size_t>(scenario.integer("fec.frames")));
  std::optional<StopBySignal> stop(std::in_place, execution, [&] {
    bar.clear();
    return std::string(kNothingWritten);
  });
  if (printed_table(line, receiver, scenario, capture, execution.unheard())) return kDone;
  const bool one = paths.size() == 1 && receiver.decoded_together() == 1;
  const LongResult result = one ? LongResult{receive_named(receiver, scenario, capture, path), {}}
                                : receive_in_a_row(receiver, scenario, capture, paths);
  stop.reset();
  bar.clear();
  return conclude(options, {capture, scenario, result.total, result.pieces});
}

int receive_trace(const CommandLine& line, const Scenario& scenario) {
  const CommonOptions& options = line.common();
  caution_unread(scenario);
  const Execution execution(FftCache(planning_of(scenario)));
  Receiver receiver(scenario, execution);
  receiver.decode_together(static_cast<std::size_t>(scenario.integer("fec.frames")));
  std::optional<StopBySignal> stop(std::in_place, execution, [] { return std::string(kNothingWritten); });
  if (line.has("knock-out") || line.has("cost")) {
    printed_table(line, receiver, scenario, foreign_head(scenario, options.files), execution);
    return kDone;
  }
  const ForeignResult result = receive_foreign(receiver, scenario, options.files);
  stop.reset();
  return conclude(options, {result.head, scenario, result.received.total, result.received.pieces});
}

/// The scenario that the files add up to, none of which is a capture. A file that is no scenario at all was
/// meant as a capture: its reader says what is wrong with it.
Scenario described_trace(const CommonOptions& options) {
  try {
    return layered({}, options.files, options);
  } catch (const InputError&) {
    const std::string& last = options.files.front();
    if (last.ends_with(".ini") || names_sigmf(last)) throw;
    read_capture(last);
    throw;
  }
}

}  // namespace

int receive(const Arguments& arguments) {
  CommandLine line(
      "receive CAPTURE...|TRACE.ini|NAME.sigmf-meta [SCENARIO...] [-o result.h5]",
      "Runs the receiver on a capture. The scenario stored in the capture sets up the receiver; scenario\n"
      "files and --set override it. Without ground truth it still recovers symbols, SNR and EVM.\n"
      "Several captures, by the scenario of the first, count together; bits of fec.frames of them are\n"
      "decoded together.\n"
      "A recording made elsewhere is received from a scenario file with a [trace] section that says how it\n"
      "is stored (cohlink keys trace; docs/capture-format.md), whatever its length. A SigMF recording says\n"
      "that itself: NAME.sigmf-meta stands for trace.file, beside a scenario of the signal.");
  namespace po = boost::program_options;
  line.own()("output,o", po::value<std::string>()->value_name("FILE"),
             "write symbols, the points after every block, and the numbers");
  line.own()("knock-out",
             "print instead what BER and SNR become with each block left out in turn, and each stage of the "
             "decoder");
  line.own()("cost", "print instead what each block costs in arithmetic and energy");
  if (!line.parse(arguments)) return kDone;
  const CommonOptions& options = line.common();
  if (options.files.empty()) throw InputError("receive needs a capture file");
  check_output(options.output, options.files);
  if (line.has("knock-out")) line.refuse({"cost"}, "not with --knock-out: one table at a time");
  if (line.has("knock-out") || line.has("cost"))
    line.refuse({"output"}, "not with --knock-out or --cost, which print a table and write no file");

  try {
    if (std::any_of(options.files.begin(), options.files.end(), is_captured)) return receive_captures(line);
    const Scenario described = described_trace(options);
    if (Trace::described(described)) return receive_trace(line, described);
  } catch (const Stopped&) {
    return end_stopped(kNothingWritten);
  }
  throw InputError(options.files.front() +
                   ": a scenario without a recording; give a capture (cohlink simulate makes one) or, in a "
                   "[trace] section, the file and sample_rate_gsa of a recording (cohlink keys trace)");
}

}  // namespace cohlink
