// cohlink score: symbols or bits that were decided elsewhere, graded against what was sent.
#include <iostream>

#include "rx/receiver.h"
#include "sim/signal/record/capture.h"
#include "tools/cohlink/command_line.h"
#include "tools/cohlink/commands.h"
#include "tools/cohlink/console.h"
#include "tools/cohlink/receive_report.h"
#include "tools/cohlink/result_file.h"
#include "tools/study/files/decided.h"

namespace cohlink {
namespace {

/// What the files after the capture and the options say, over `base`.
Scenario over(Scenario base, const CommonOptions& options) {
  return layered(std::move(base), {options.files.begin() + 2, options.files.end()}, options);
}

Scenario scenario_in(const Capture& capture, const std::string& path) {
  Scenario scenario;
  if (!capture.scenario_text.empty()) scenario.read_text(capture.scenario_text, path + ":/scenario");
  return scenario;
}

/// How the file is stored is said by what was given here; a capture's scenario knows of no such file.
Field<float> decided_symbols(const std::string& path, const Scenario& scenario, const Scenario& described,
                             bool bits) {
  return bits ? symbols_of_bits(read_decided_bits(path, described), scenario)
              : read_decided_symbols(path, described);
}

/// What the report has no word on: what the other receiver knew of the data and, where it gave bits, the
/// noise.
std::vector<Fact> known_facts(std::vector<Fact> facts, bool bits) {
  std::erase_if(facts, [&](const Fact& fact) {
    const bool noise = fact.name.starts_with("snr_") || fact.name.starts_with("evm_") ||
                       fact.name == "mi_bits" || fact.name == "gmi_bits" || fact.name == "ngmi";
    return fact.name == "used_known_data" || (bits && noise);
  });
  return facts;
}

/// The decided symbols or bits, judged as the receiver's own would be; a refusal names their file.
ReceiverResult judge(const Capture& capture, const Scenario& scenario, const std::string& decided,
                     const CommandLine& line) {
  const FftCache fft(planning_of(scenario));
  const bool bits = line.has("bits");
  Field<float> symbols = decided_symbols(decided, scenario, over({}, line.common()), bits);
  try {
    ReceiverResult result =
        Receiver(scenario, fft).judge(capture, std::move(symbols), line.count("skip").value_or(0));
    if (bits) forget_noise(result);
    return result;
  } catch (const InputError& error) {
    throw error.in(decided);
  }
}

}  // namespace

int score(const Arguments& arguments) {
  CommandLine line(
      "score DECIDED CAPTURE [SCENARIO...] [--bits] [--skip N] [-o result.h5]",
      "Grades symbols or bits that another receiver decided against a capture's truth, as 'receive' grades\n"
      "its own: which polarisation and how late, quarter turns and cycle slips, errors with their interval,\n"
      "SNR, GMI, the verdict. DECIDED: .npy (2, n); HDF5 (/symbols or /bits); .csv (XI, XQ, YI, YQ a line, "
      "or\n"
      "bits X, Y); else raw float32 in that order, or bytes of bits; [trace] keys can say otherwise. "
      "Symbols\n"
      "of one polarisation are scored alone.");
  namespace po = boost::program_options;
  line.own()("bits", "DECIDED holds bits, 0 and 1, not symbols")(
      "skip", po::value<std::string>()->value_name("N"),
      "symbols at each end that are not judged (edges of filters, adaptation); default 0")(
      "output,o", po::value<std::string>()->value_name("FILE"),
      "write symbols and numbers as 'receive' does");
  if (!line.parse(arguments)) return kDone;
  const CommonOptions& options = line.common();
  if (options.files.size() < 2) throw InputError("score needs a file of symbols or bits, and a capture");
  check_output(options.output, options.files);
  const std::string &decided = options.files[0], &path = options.files[1];
  const Capture capture = read_capture(path);
  if (!capture.truth) throw InputError(path, "holds no truth to score against");
  const Scenario scenario = over(scenario_in(capture, path), options);
  const bool bits = line.has("bits");
  if (bits && scenario.boolean("fec.decode"))
    scenario.reject("fec.decode", "takes symbols: bits (--bits) do not say how sure they are");
  const ReceiverResult result = judge(capture, scenario, decided, line);
  const Received received{capture, scenario, result, {}};
  const std::vector<Fact> facts = known_facts(receive_report(received), bits);
  if (!options.output.empty()) write_result(received, facts, options.output);
  for (const auto& warning : result.warnings) caution(warning);
  print(std::cout, facts, options.format);
  return result.locked ? kDone : kRunFailed;
}

}  // namespace cohlink
