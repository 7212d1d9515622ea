// cohlink receive: a capture becomes numbers, a verdict and, if asked for, a result file.
#include <algorithm>
#include <iostream>

#include "rx/receiver.h"
#include "sim/signal/capture.h"
#include "tools/cohlink/command_line.h"
#include "tools/cohlink/commands.h"
#include "tools/cohlink/console.h"
#include "tools/cohlink/knock_out.h"
#include "tools/cohlink/receive_report.h"
#include "tools/cohlink/result_file.h"

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

/// Whatever the receiver finds wrong with a capture is said of its file.
ReceiverResult receive_named(const Receiver& receiver, const Capture& capture, const std::string& path) {
  try {
    return receiver(capture);
  } catch (const InputError& error) {
    throw InputError(path + ": " + error.what());
  }
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
  line.own()("knock-out", "print instead what BER and SNR become with each block left out in turn");
  if (!line.parse(arguments)) return kDone;
  const CommonOptions& options = line.common();
  if (options.files.empty()) throw InputError("receive needs a capture file");
  check_output(options.output, options.files);

  const std::string path = options.files[capture_index(options.files)];
  const Capture capture = read_capture(path);
  const Scenario scenario = receiver_scenario(capture, path, options);
  FftCache fft(planning_of(scenario));
  if (line.has("knock-out")) {
    print(std::cout, knock_out_table(capture, scenario, fft), options.format);
    return kDone;
  }
  const Receiver receiver(scenario, fft);
  const ReceiverResult result = receive_named(receiver, capture, path);

  const std::vector<Fact> facts = receive_report(capture, scenario, result);
  if (!options.output.empty()) write_result(capture, scenario, result, facts, options.output);
  for (const auto& warning : result.warnings) caution(warning);
  print(std::cout, facts, options.format);
  return result.locked ? kDone : kRunFailed;
}

}  // namespace cohlink
