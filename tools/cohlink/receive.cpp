// cohlink receive: a capture becomes numbers, a verdict and, if asked for, a result file.
#include <algorithm>
#include <cmath>
#include <cstdio>
#include <iostream>

#include "rx/receiver.h"
#include "sim/signal/capture.h"
#include "sim/signal/hdf5.h"
#include "sim/signal/strings.h"
#include "sim/signal/units.h"
#include "sim/signal/version.h"
#include "tools/cohlink/command_line.h"
#include "tools/cohlink/commands.h"
#include "tools/cohlink/console.h"
#include "tools/study/fec.h"
#include "tools/study/numbers.h"

namespace cohlink {
namespace {

/// The capture among the files: the one that is HDF5, else the first (whose reader will say what it is).
std::size_t capture_index(const std::vector<std::string>& files) {
  const auto found = std::find_if(files.begin(), files.end(), looks_like_hdf5);
  return found == files.end() ? 0 : static_cast<std::size_t>(found - files.begin());
}

Scenario receiver_scenario(const Capture& capture, const std::string& path, const CommonOptions& options) {
  std::vector<std::string> files = options.files;
  files.erase(files.begin() + static_cast<std::ptrdiff_t>(capture_index(files)));
  Scenario scenario;
  if (!capture.scenario_text.empty())
    scenario.read_text(capture.scenario_text, path + ":/scenario");
  else if (files.empty() && options.settings.empty())
    note(options.quiet,
         path + ": holds no scenario; every key has its default (give a scenario file to change that)");
  return layered(scenario, files, options);
}

Cell finite(double value) { return std::isfinite(value) ? Cell(value) : Cell(); }

std::string db(double value) { return std::isfinite(value) ? fixed(value, 2) + " dB" : "-"; }

/// A 95 % interval and how it reads.
struct Range {
  double low, high;
  std::string text;
  Range(double from, double to, const std::string& unit) : low(from), high(to) {
    const auto number = [](double value) {
      return std::isfinite(value) ? fixed(value, 2) : std::string("-");
    };
    text = "95 %: " + number(low) + " to " + number(high) + unit;
  }
};

/// BER, its interval and the verdict: only where the truth is known.
std::vector<Fact> score_facts(const Score& score, const std::optional<double>& threshold) {
  const ErrorCount& both = score.both;
  const std::string counted = grouped(both.errors) + " errors in " + grouped(both.bits) + " bits";
  const Range q_interval(q_from_ber_db(score.interval.high), q_from_ber_db(score.interval.low), " dB");
  std::vector<Fact> facts = {
      {"ber", "BER", both.ber(), scientific(both.ber()) + "   (" + counted + ")"},
      {"ber_low", "95 % interval", score.interval.low,
       scientific(score.interval.low) + " to " + scientific(score.interval.high)},
      {"ber_high", "", score.interval.high, ""},
      {"errors", "", both.errors, ""},
      {"bits", "", both.bits, ""},
      {"ber_x", "X, Y alone", score.polarisation[0].ber(),
       scientific(score.polarisation[0].ber()) + ", " + scientific(score.polarisation[1].ber())},
      {"ber_y", "", score.polarisation[1].ber(), ""},
      {"q_db", "Q", finite(score.q_db), db(score.q_db) + "   (" + q_interval.text + ")"},
      {"q_low_db", "", finite(q_interval.low), ""},
      {"q_high_db", "", finite(q_interval.high), ""},
  };
  if (threshold) {
    const std::string word = verdict(score.interval.low, score.interval.high, *threshold);
    facts.push_back({"verdict", "verdict", word, word + " against a threshold of " + scientific(*threshold)});
    facts.push_back({"threshold_ber", "", *threshold, ""});
  }
  return facts;
}

std::vector<Fact> signal_facts(const ReceiverResult& result) {
  // The power of noise seen in n independent complex samples has the relative standard error 1/sqrt(n); EVM,
  // its root, half of that.
  const std::size_t symbols =
      result.score ? result.score->symbols : result.symbols.size() - result.discarded_symbols;
  const double spread = 1.96 / std::sqrt(2.0 * static_cast<double>(symbols));
  const Range snr(result.snr_db - to_db(1.0 + spread), result.snr_db - to_db(1.0 - spread), " dB");
  const Range evm(result.evm_percent * (1.0 - 0.5 * spread), result.evm_percent * (1.0 + 0.5 * spread), " %");
  const std::string basis = result.score ? "" : ", judged by the decisions: no truth to compare with";
  std::vector<Fact> facts = {
      {"snr_db", "SNR", finite(result.snr_db), db(result.snr_db) + "   (" + snr.text + basis + ")"},
      {"snr_low_db", "", finite(snr.low), ""},
      {"snr_high_db", "", finite(snr.high), ""},
      {"evm_percent", "EVM", finite(result.evm_percent),
       fixed(result.evm_percent, 2) + " %   (" + evm.text + ")"},
      {"evm_low_percent", "", finite(evm.low), ""},
      {"evm_high_percent", "", finite(evm.high), ""},
  };
  if (result.score) {
    facts.push_back(
        {"snr_x_db", "X, Y alone", finite(result.score->snr_db_polarisation[0]),
         db(result.score->snr_db_polarisation[0]) + ", " + db(result.score->snr_db_polarisation[1])});
    facts.push_back({"snr_y_db", "", finite(result.score->snr_db_polarisation[1]), ""});
  }
  return facts;
}

std::string alignment_text(const Score& score) {
  std::string text = score.swapped ? "polarisations swapped" : "polarisations as sent";
  return text + ", turned by " + std::to_string(90 * score.quarter_turns[0]) + " and " +
         std::to_string(90 * score.quarter_turns[1]) + " deg, delayed by " +
         std::to_string(score.delay_symbols[0]) + " and " + std::to_string(score.delay_symbols[1]) +
         " symbols";
}

std::vector<Fact> how_facts(const ReceiverResult& result) {
  std::vector<Fact> facts = {
      {"frequency_offset_hz", "frequency offset", result.frequency_offset_hz,
       readable(result.frequency_offset_hz / 1e6) + " MHz (estimated)"},
      {"discarded_symbols", "discarded", static_cast<std::uint64_t>(result.discarded_symbols),
       grouped(result.discarded_symbols) + " symbols at the edges, not scored"},
      {"used_known_data", "known data", join(result.used_known_data, "; "),
       result.used_known_data.empty() ? "none used: a blind receiver" : join(result.used_known_data, "; ")},
  };
  if (result.clock_offset_ppm)
    facts.push_back({"clock_offset_ppm", "clock offset", *result.clock_offset_ppm,
                     readable(*result.clock_offset_ppm) + " ppm (estimated)"});
  if (result.score) {
    facts.push_back({"scored_symbols", "scored", static_cast<std::uint64_t>(result.score->symbols),
                     grouped(result.score->symbols) + " symbols per polarisation"});
    facts.push_back({"", "alignment", {}, alignment_text(*result.score)});
  }
  return facts;
}

/// Event counters of the capture and the receiver; "adc-clipped-samples" -> adc_clipped_samples.
std::vector<Fact> counter_facts(const Capture& capture, const ReceiverResult& result) {
  Counters all = capture.counters;
  for (const auto& [name, events] : result.counters) all[name] += events;
  std::vector<Fact> facts;
  for (const auto& [name, events] : all) {
    std::string plain = name, words = name;
    std::replace(plain.begin(), plain.end(), '-', '_');
    std::replace(words.begin(), words.end(), '-', ' ');
    facts.push_back({plain, words, events, grouped(events)});
  }
  return facts;
}

template <class Points>
std::vector<std::complex<float>> two_rows(const Points& x, const Points& y) {
  std::vector<std::complex<float>> rows(x.begin(), x.end());
  rows.insert(rows.end(), y.begin(), y.end());
  return rows;
}

void write_stage(h5::File& file, std::size_t place, const Stage& stage) {
  char number[8];
  std::snprintf(number, sizeof number, "%02u", static_cast<unsigned>(place % 100));
  const std::string name = std::string("/stages/") + number + "-" + stage.block + "/points";
  const std::size_t length = std::min(stage.points[0].size(), stage.points[1].size());
  auto x = stage.points[0], y = stage.points[1];
  x.resize(length), y.resize(length);
  file.write<std::complex<float>>(name, two_rows(x, y), {2, length});
  file.attribute(name, "block", stage.block);
  file.attribute(name, "samples_per_symbol", stage.samples_per_symbol);
}

void write_facts(h5::File& file, const std::vector<Fact>& facts) {
  for (const auto& fact : facts) {
    if (fact.name.empty()) continue;
    if (const auto* number = std::get_if<double>(&fact.value)) file.attribute("/", fact.name, *number);
    if (const auto* count = std::get_if<std::uint64_t>(&fact.value)) file.attribute("/", fact.name, *count);
    if (const auto* text = std::get_if<std::string>(&fact.value)) file.attribute("/", fact.name, *text);
  }
}

void write_result(const Capture& capture, const Scenario& scenario, const ReceiverResult& result,
                  const std::vector<Fact>& facts, const std::string& path) {
  h5::File::create(path, [&](h5::File& file) {
    file.attribute("/", "kind", std::string("cohlink result"));
    file.attribute("/", "format", 1.0);
    file.attribute("/", "version", std::string(version().number));
    file.attribute("/", "git_hash", std::string(version().git_hash));
    file.attribute("/", "seed", capture.seed);
    file.attribute("/", "frame", capture.frame);
    file.attribute("/", "point", capture.point);
    write_facts(file, facts);
    file.write_text("/scenario", scenario.resolved());
    if (!result.warnings.empty()) file.write_texts("/warnings", result.warnings);
    file.write<std::complex<float>>("/symbols", two_rows(result.symbols.x, result.symbols.y),
                                    {2, result.symbols.size()});
    for (std::size_t i = 0; i < result.stages.size(); ++i) write_stage(file, i + 1, result.stages[i]);
  });
}

/// Whatever the receiver finds wrong with a capture is said of its file.
ReceiverResult receive_named(const Receiver& receiver, const Capture& capture, const std::string& path) {
  try {
    return receiver(capture);
  } catch (const InputError& error) {
    throw InputError(path + ": " + error.what());
  }
}

void append(std::vector<Fact>& facts, std::vector<Fact> more) {
  facts.insert(facts.end(), std::make_move_iterator(more.begin()), std::make_move_iterator(more.end()));
}

}  // namespace

int receive(const Arguments& arguments) {
  CommandLine line(
      "receive CAPTURE [SCENARIO...] [-o result.h5]",
      "Runs the receiver on a capture. The scenario stored in the capture sets up the receiver; scenario\n"
      "files and --set override it. Without ground truth it still recovers symbols, SNR and EVM.");
  namespace po = boost::program_options;
  line.own()("output,o", po::value<std::string>()->value_name("FILE"),
             "write symbols, the points after every block, and the numbers");
  if (!line.parse(arguments)) return kDone;
  const CommonOptions& options = line.common();
  if (options.files.empty()) throw InputError("receive needs a capture file");
  check_output(options.output, options.files);

  const std::string path = options.files[capture_index(options.files)];
  const Capture capture = read_capture(path);
  const Scenario scenario = receiver_scenario(capture, path, options);
  FftCache fft(planning_of(scenario));
  const Receiver receiver(scenario, fft);
  const ReceiverResult result = receive_named(receiver, capture, path);

  std::vector<Fact> facts;
  const bool lost = capture.truth.has_value() && !result.score;
  if (result.score) append(facts, score_facts(*result.score, fec_threshold(scenario)));
  if (lost)
    facts.push_back({"verdict", "verdict", std::string("no lock"),
                     "no lock: nothing that was sent was recognised, no BER is given"});
  append(facts, signal_facts(result));
  append(facts, how_facts(result));
  append(facts, counter_facts(capture, result));
  if (!options.output.empty()) write_result(capture, scenario, result, facts, options.output);
  for (const auto& warning : result.warnings) caution(warning);
  print(std::cout, facts, options.format);
  return lost ? kRunFailed : kDone;
}

}  // namespace cohlink
