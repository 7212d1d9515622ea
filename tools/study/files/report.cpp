#include "tools/study/files/report.h"

#include <filesystem>

#include "sim/signal/record/hdf5.h"
#include "sim/signal/scenario/scenario.h"
#include "sim/signal/version.h"
#include "tools/study/files/report_html.h"
#include "tools/study/files/report_sections.h"
#include "tools/study/files/svg.h"

namespace cohlink {
namespace {

using report::tag;

struct EmbeddedFile {
  std::string_view name, type, text;
};
constexpr EmbeddedFile kPage[] = {
#include "report/page.inc"
};

std::string embedded(std::string_view name) {
  for (const EmbeddedFile& file : kPage)
    if (file.name == name) return std::string(file.text);
  return "";
}

/// What the scenario says beyond the defaults.
std::string scenario_summary(const Scenario& scenario) {
  const Scenario plain;
  std::string out;
  for (const ScenarioKey& key : scenario_keys()) {
    const std::string name = key.full_name();
    if (scenario.written(name) == plain.written(name)) continue;
    out += "<dt>" + html_text(name) + "</dt><dd>" + html_text(scenario.written(name)) +
           (key.unit.empty() ? "" : " " + html_text(std::string(key.unit))) + "</dd>\n";
  }
  return out.empty() ? "<p>every key at its default</p>\n" : "<dl>\n" + out + "</dl>\n";
}

std::string body_of(const h5::File& file, const std::string& kind) {
  if (kind == "cohlink curve") return report::curve_section(file);
  if (kind == "cohlink result") return report::result_section(file);
  for (const char* study : {"budget", "limit", "margins", "economise", "outage", "qualify"})
    if (kind == std::string("cohlink ") + study) return report::study_section(file);
  throw InputError(file.path(),
                   "holds nothing to report" + (kind.empty() ? "" : " (it is a " + kind + ")") +
                       "; give curves, results, and what budget, limit, margins, economise, outage or "
                       "qualify wrote");
}

std::string file_name(const h5::File& file) { return std::filesystem::path(file.path()).filename().string(); }

/// What one file holds, as the section "file-NUMBER". Its scenario is open where no script closes it, so that
/// it prints.
std::string section(const h5::File& file, std::size_t number) {
  const std::string kind = file.has_attribute("/", "kind") ? file.attribute_text("/", "kind") : "";
  const std::string body = body_of(file, kind);
  Scenario scenario;
  scenario.read_text(file.read_text("/scenario"), file.path() + ":/scenario");
  const std::string provenance = kind + ", seed " + std::to_string(file.attribute_count("/", "seed")) +
                                 ", cohlink " + file.attribute_text("/", "version") + " (" +
                                 file.attribute_text("/", "git_hash") + ")";
  return "<section id=\"file-" + std::to_string(number) + "\">\n" + tag("h2", file_name(file)) +
         "<p class=\"sub\">" + html_text(provenance) + "</p>\n" + body +
         "<details open><summary>scenario: what differs from the defaults</summary>\n" +
         scenario_summary(scenario) +
         "</details>\n<details open><summary>the whole scenario</summary>\n<pre>" +
         html_text(scenario.resolved()) + "</pre></details>\n</section>\n";
}

/// What the page holds, where that is more than one file.
std::string contents(const std::vector<h5::File>& files) {
  if (files.size() < 2) return "";
  std::string out = "<nav aria-label=\"files of this page\"><ol>\n";
  for (std::size_t i = 0; i < files.size(); ++i)
    out += "<li><a href=\"#file-" + std::to_string(i + 1) + "\">" + html_text(file_name(files[i])) +
           "</a></li>\n";
  return out + "</ol></nav>\n";
}

constexpr std::string_view kCaution =
    "<section class=\"caution\">\n<h2>How far to trust this page</h2>\n"
    "<p>Everything here was simulated. Intervals are 95 % and cover chance alone: how many errors were "
    "counted, "
    "not whether the model holds. A verdict is given only where the whole interval lies on one side of the "
    "threshold. Theory is ideal reception (matched filter, perfect phase) at the stated OSNR. Flaws that the "
    "scenario leaves at their defaults are absent, not typical. Thresholds stand for a code whose standard "
    "names them for independent errors. Where light is concerned, local rules and qualified staff decide "
    "what "
    "power may be in a fibre.</p>\n</section>\n";

}  // namespace

std::string report_page(const std::string& title, const std::vector<std::string>& paths) {
  std::vector<h5::File> files;
  for (const auto& path : paths) files.push_back(h5::File::open(path));
  std::string body;
  for (std::size_t i = 0; i < files.size(); ++i) body += section(files[i], i + 1);
  const std::string together = report::curves_together(files);
  return "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n"
         "<meta name=\"viewport\" content=\"width=device-width,initial-scale=1\">\n<title>" +
         html_text(title) + "</title>\n<style>\n" + embedded("report.css") +
         "</style>\n</head>\n<body>\n<main>\n" + tag("h1", title) + "<p class=\"sub\">made by cohlink " +
         std::string(version().number) + " (" + std::string(version().git_hash) + ")</p>\n" +
         contents(files) +
         (together.empty() ? "" : "<section>\n<h2>Curves together</h2>\n" + together + "</section>\n") +
         body + std::string(kCaution) + "</main>\n<script>\n" + embedded("rescale.js") +
         embedded("report.js") + "</script>\n</body>\n</html>\n";
}

}  // namespace cohlink
