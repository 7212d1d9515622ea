// cohlink: coherent optical links, end to end.
#include <algorithm>
#include <csignal>
#include <iostream>
#include <new>
#include <string_view>

#include "sim/signal/propagation/propagation_engine.h"
#include "sim/signal/scenario/errors.h"
#include "sim/signal/scenario/printable.h"
#include "sim/signal/scenario/strings.h"
#include "sim/signal/version.h"
#include "tools/cohlink/commands.h"
#include "tools/cohlink/console.h"
#include "tools/study/parts/ranks.h"
#include "tools/study/run/executor.h"

namespace cohlink {
namespace {

struct Command {
  const char* name;
  const char* usage;
  const char* purpose;
  int (*run)(const Arguments&);
};

constexpr Command kCommands[] = {
    {"simulate", "simulate SCENARIO... -o capture.h5", "make a four-lane ADC capture with its ground truth",
     simulate},
    {"receive", "receive CAPTURE... [-o result.h5]", "run the receiver: BER, Q, SNR, EVM and a verdict",
     receive},
    {"score", "score DECIDED CAPTURE",
     "symbols or bits that were decided elsewhere, graded against the truth", score},
    {"sweep", "sweep SCENARIO... --vary KEY=a:step:b -o curve.h5", "BER over one to three scenario keys",
     sweep},
    {"merge", "merge PART... -o curve.h5", "join the parts of a study or of a data set (--part k/n)", merge},
    {"budget", "budget SCENARIO... [--compare FILE]", "closed-form power, OSNR and nonlinearity budget",
     budget},
    {"limit", "limit SCENARIO... --vary KEY=a:b", "where a key crosses a criterion: reach, linewidth, DGD",
     limit},
    {"margins", "margins SCENARIO...", "what breaks first: cost, headroom, interactions of impairments",
     margins},
    {"economise", "economise SCENARIO... [--penalty DB]", "the cheapest receiver that still closes the link",
     economise},
    {"outage", "outage SCENARIO... [--draw KEY=LAW]", "failures over random realisations, and the worst",
     outage},
    {"qualify", "qualify SCENARIO...", "every line of a spec sheet: pass, fail, margin", qualify},
    {"dataset", "dataset SCENARIO... -n N -o DIR", "labelled captures with drawn parameters", dataset},
    {"report", "report FILE... -o page.html", "result files on one page: tables, curves, verdicts", report},
    {"live", "live [SCENARIO...]", "a scenario round after round on a page in the browser, with knobs",
     live_bench},
    {"keys", "keys [PATTERN]", "scenario keys: unit, default, range, meaning, source", keys},
    {"inspect", "inspect FILE", "what a capture, a result or a curve holds", inspect},
};

void print_help() {
  std::cout << "cohlink " << version().number
            << ": simulate a coherent optical link, receive it, and count.\n\n"
            << "usage: cohlink COMMAND [FILE...] [OPTION...]\n\n";
  for (const auto& command : kCommands) {
    const std::string usage = command.usage;
    std::cout << "  " << usage << std::string(usage.size() < 52 ? 52 - usage.size() : 1, ' ')
              << command.purpose << '\n';
  }
  std::cout << "\n'cohlink COMMAND --help' lists a command's options. Scenario files are INI text; several "
               "layer left\n"
               "to right, and --set section.key=value overrides them all.\n\n"
               "Exit status: 0 done, 1 a requirement not shown to hold or a limit not found, 2 bad input,\n"
               "3 a run that failed, 130 or 143 stopped by a signal.\n";
}

int unknown_command(const std::string& name) {
  std::vector<std::string> names;
  for (const auto& command : kCommands) names.push_back(command.name);
  const std::string near = nearest_word(name, names);
  throw InputError("'" + name + "' is not a command" +
                   (near.empty() ? "; see cohlink --help" : "; did you mean " + near + "?"));
}

/// Whether a command is work for several processes.
bool is_shared(const Arguments& arguments) {
  constexpr std::string_view kShared[] = {"sweep", "margins", "limit", "outage", "qualify", "dataset"};
  return !arguments.empty() &&
         std::find(std::begin(kShared), std::end(kShared), arguments.front()) != std::end(kShared) &&
         std::find(arguments.begin(), arguments.end(), "--help") == arguments.end();
}

int run(const Arguments& arguments) {
  if (!is_shared(arguments)) {
    lead_alone();
    if (!world().leads()) return kDone;
  }
  if (arguments.empty()) throw InputError("no command; see cohlink --help");
  const std::string& first = arguments.front();
  if (first == "--help" || first == "-h" || first == "help") {
    print_help();
    return kDone;
  }
  if (first == "--version") {
    std::cout << "cohlink " << version().number << " (" << version().git_hash << ")\n";
    return kDone;
  }
  for (const auto& command : kCommands)
    if (first == command.name) return command.run(Arguments(arguments.begin() + 1, arguments.end()));
  return unknown_command(first);
}

/// Whatever goes wrong: one line, and a status that tells input from run.
int guarded(const Arguments& arguments) {
  try {
    const int status = run(arguments);
    if (!std::cout.flush()) throw RunError("standard output: cannot be written");
    return status;
  } catch (const InputError& error) {
    leave_ranks();
    if (!world().leads()) return kBadInput;  // rank 0 says the same
    std::cerr << "cohlink: " << printable(error.what()) << '\n';
    return kBadInput;
  } catch (const std::bad_alloc&) {
    leave_ranks();
    std::cerr
        << "cohlink: out of memory; fewer signal.symbols, run.samples_per_symbol or --threads need less\n";
    return kRunFailed;
  } catch (const std::exception& error) {
    leave_ranks();
    std::cerr << "cohlink: " << printable(error.what()) << '\n';
    return kRunFailed;
  }
}

}  // namespace
}  // namespace cohlink

int main(int argc, char** argv) {
  // A file-size limit then fails the write, with a message, instead of killing the program.
  std::signal(SIGXFSZ, SIG_IGN);
  cohlink::keep_memory();
  cohlink::when_device_lost([](const std::string& sentence) { cohlink::caution(sentence); });
  const cohlink::MpiSession session(argc, argv);
  return cohlink::guarded(cohlink::Arguments(argv + 1, argv + argc));
}
