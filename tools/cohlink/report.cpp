// cohlink report: result files become one page.
#include "tools/study/files/report.h"

#include <filesystem>
#include <fstream>

#include "sim/signal/record/atomic_file.h"
#include "tools/cohlink/command_line.h"
#include "tools/cohlink/commands.h"

namespace cohlink {

int report(const Arguments& arguments) {
  CommandLine line(
      "report FILE... -o page.html",
      "Puts curves (sweep, merge), receptions (receive -o) and the outputs of limit, outage and\n"
      "qualify on one HTML page that needs no other file: tables, intervals, curves with theory,\n"
      "verdicts, scenarios. Nothing is simulated again.");
  namespace po = boost::program_options;
  line.own()("output,o", po::value<std::string>()->value_name("FILE"), "the page")(
      "title", po::value<std::string>()->value_name("TEXT"), "its heading; default \"Link report\"");
  if (!line.parse(arguments)) return kDone;
  const CommonOptions& options = line.common();
  line.refuse({"set", "tie", "seed"}, "report shows what its files hold; nothing is computed again");
  line.refuse({"format"}, "report makes HTML");
  if (options.files.empty()) throw InputError("report needs result files");
  if (options.output.empty()) throw InputError("report needs -o page.html");
  check_output(options.output, options.files);
  write_atomically(options.output,
                   report_page(line.has("title") ? line.text("title") : "Link report", options.files));
  return kDone;
}

}  // namespace cohlink
