// cohlink live: the bench on a page in the browser.
#include <spawn.h>
#include <unistd.h>

#include <algorithm>
#include <cstdlib>
#include <iostream>

#include "tools/cohlink/command_line.h"
#include "tools/cohlink/commands.h"
#include "tools/cohlink/console.h"
#include "tools/cohlink/refusals.h"
#include "tools/live/server.h"
#include "tools/study/plan/refusals.h"

namespace cohlink {
namespace {

/// The desktop's own way to open an address, where there is a desktop.
void open_browser(std::string address) {
  if (std::getenv("DISPLAY") == nullptr && std::getenv("WAYLAND_DISPLAY") == nullptr) return;
  std::string program = "xdg-open";
  char* const arguments[] = {program.data(), address.data(), nullptr};
  pid_t child = 0;
  posix_spawn_file_actions_t silent;
  posix_spawn_file_actions_init(&silent);
  posix_spawn_file_actions_addopen(&silent, STDOUT_FILENO, "/dev/null", 1 /* O_WRONLY */, 0);
  posix_spawn_file_actions_adddup2(&silent, STDOUT_FILENO, STDERR_FILENO);
  posix_spawnp(&child, program.c_str(), &silent, nullptr, arguments,
               environ);  // where it fails: it is printed
  posix_spawn_file_actions_destroy(&silent);
}

live::Opening opening_of(const CommandLine& line) {
  const CommonOptions& options = line.common();
  live::Opening opening;
  opening.scenario = layered(Scenario(), options.files, options);
  refuse_recording(opening.scenario);
  caution_unread(opening.scenario);
  live::make_live(opening.scenario, options.settings);
  for (const std::string& file : options.files) {
    opening.name += (opening.name.empty() ? "" : ", ") + file;
    opening.command += (opening.command.empty() ? "" : " ") + shell_quoted(file);
  }
  if (options.files.empty()) opening.name = "the keys' defaults";
  if (!options.files.empty()) {
    for (const std::string& setting : options.settings)
      if (!setting.starts_with("signal.symbols")) opening.command += " --set " + shell_quoted(setting);
    for (const std::string& tie : options.ties) opening.command += " --tie " + shell_quoted(tie);
    if (options.seed) opening.command += " --seed " + std::to_string(*options.seed);
  }
  return opening;
}

live::Service service_of(const CommandLine& line) {
  live::Service service;
  service.opening = opening_of(line);
  if (line.has("address")) service.address = line.text("address");
  if (const auto port = line.count("port")) {
    if (*port > 65535) throw InputError("--port " + std::to_string(*port) + ": at most 65535");
    service.port = static_cast<unsigned short>(*port);
  }
  if (const auto viewers = line.count("viewers", 1)) service.viewers = std::min<std::uint64_t>(*viewers, 64);
  return service;
}

}  // namespace

int live_bench(const Arguments& arguments) {
  CommandLine line(
      "live [SCENARIO...]",
      "Runs a scenario round after round and shows it on a page in the browser: constellations behind\n"
      "every block, spectra, taps, traces, BER and SNR, with a knob for every key. The page is served\n"
      "to this machine alone and needs no network. Ctrl-C ends it.");
  namespace po = boost::program_options;
  line.own()("port", po::value<std::string>()->value_name("N"), "where to listen; default any free port")(
      "address", po::value<std::string>()->value_name("IP"),
      "the address to listen at instead of 127.0.0.1: other machines may then reach it")(
      "viewers", po::value<std::string>()->value_name("N"),
      "pages at a time, each with a run of its own; default 8")("no-browser",
                                                                "print the page's address and open nothing");
  if (!line.parse(arguments)) return kDone;
  line.refuse({"format", "threads"}, "live shows a page, and every page has one thread");
  const live::Service service = service_of(line);
  const bool quiet = line.common().quiet;
  const int signal = live::serve(service, [&](const std::string& address) {
    if (!address.starts_with("http://127.") && !address.starts_with("http://[::1]"))
      caution(
          "whoever reaches this machine and has the page's address can turn its knobs; the way there is not "
          "encrypted");
    std::cout << address << std::endl;
    note(quiet, "open this address in a browser; Ctrl-C ends it");
    if (!line.has("no-browser")) open_browser(address);
  });
  return 128 + signal;
}

}  // namespace cohlink
