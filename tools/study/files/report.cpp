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

constexpr std::string_view kStyle = R"(
:root{--ink:#1d2530;--soft:#5c6675;--paper:#fbfaf7;--card:#fff;--rule:#d9d5cb;--good:#1d7a4c;--bad:#b3261e;--open:#9a6700;
--c0:#0b5fa5;--c1:#c2410c;--c2:#2f7d32;--c3:#8a3ffc;--c4:#b0126b;--c5:#5a5a5a}
@media(prefers-color-scheme:dark){:root{--ink:#e8e6e1;--soft:#a5abb5;--paper:#15181d;--card:#1c2027;--rule:#363c46;
--good:#6cc993;--bad:#ff8a80;--open:#e6b450;--c0:#6cb2f0;--c1:#ff9d66;--c2:#8fd18f;--c3:#c3a0ff;--c4:#f58fc0;--c5:#bbb}}
*{box-sizing:border-box}body{margin:0;background:var(--paper);color:var(--ink);font:16px/1.5 Georgia,"Times New Roman",serif}
main{max-width:64rem;margin:0 auto;padding:2rem 1.2rem 4rem}h1{font-size:1.9rem;margin:0 0 .2rem}
h2{font-size:1.35rem;margin:0 0 .2rem}section{background:var(--card);border:1px solid var(--rule);border-left:4px solid var(--c0);
padding:1.2rem 1.4rem;margin:1.6rem 0}.sub{color:var(--soft);margin:0 0 1rem}
table{border-collapse:collapse;font:13px/1.45 ui-monospace,Menlo,Consolas,monospace;width:100%}.scroll{overflow-x:auto;margin:1rem 0}
th{text-align:right;border-bottom:2px solid var(--rule);padding:.25rem .6rem;font-weight:600;white-space:nowrap}
td{text-align:right;padding:.2rem .6rem;border-bottom:1px solid var(--rule);white-space:nowrap}
th.w,td.w{text-align:left;white-space:normal}.pass{color:var(--good);font-weight:700}.fail{color:var(--bad);font-weight:700}
.undecided{color:var(--open);font-weight:700}dl{display:grid;grid-template-columns:max-content 1fr;gap:.2rem 1.2rem;margin:1rem 0}
dt{color:var(--soft)}dd{margin:0;overflow-wrap:anywhere}figure{margin:1rem 0}figure.small{display:inline-block;width:20rem;max-width:100%}
figcaption{color:var(--soft);font-size:.9rem}svg{width:100%;height:auto;font:12px ui-monospace,Menlo,Consolas,monospace;fill:var(--ink)}
.grid{stroke:var(--rule);stroke-width:1}.line{fill:none;stroke-width:2}.bar{stroke-width:1.4}.dashed{stroke-dasharray:6 4}
.level{stroke:var(--bad);stroke-width:1.2;stroke-dasharray:2 3}.levelword{fill:var(--bad)}
.s0{stroke:var(--c0)}.s1{stroke:var(--c1)}.s2{stroke:var(--c2)}.s3{stroke:var(--c3)}.s4{stroke:var(--c4)}.s5{stroke:var(--c5)}
.dot.s0,.s0t{fill:var(--c0)}.dot.s1,.s1t{fill:var(--c1)}.dot.s2,.s2t{fill:var(--c2)}.dot.s3,.s3t{fill:var(--c3)}
.dot.s4,.s4t{fill:var(--c4)}.dot.s5,.s5t{fill:var(--c5)}.legend{list-style:none;margin:.2rem 0;padding:0;font-size:.9rem}
.legend li{display:inline-block;margin-right:1.4rem}.key{display:inline-block;width:1.6rem;border-top:3px solid;vertical-align:middle;
margin-right:.4rem}.key.s0{color:var(--c0)}.key.s1{color:var(--c1)}.key.s2{color:var(--c2)}.key.s3{color:var(--c3)}
.key.s4{color:var(--c4)}.key.s5{color:var(--c5)}.key.dashed{border-top-style:dashed}pre{overflow-x:auto;font-size:12px}
.caution{border-left-color:var(--open)}@media print{body{background:#fff}section{break-inside:avoid-page}}
)";

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

std::string section(const std::string& path) {
  const h5::File file = h5::File::open(path);
  const std::string kind = file.has_attribute("/", "kind") ? file.attribute_text("/", "kind") : "";
  std::string body;
  if (kind == "cohlink curve")
    body = report::curve_section(file);
  else if (kind == "cohlink result")
    body = report::result_section(file);
  else if (kind == "cohlink limit" || kind == "cohlink margins" || kind == "cohlink economise" ||
           kind == "cohlink outage" || kind == "cohlink qualify")
    body = report::study_section(file);
  else
    throw InputError(path, "holds nothing to report" + (kind.empty() ? "" : " (it is a " + kind + ")") +
                               "; give curves, results, and what limit, margins, outage or qualify wrote");
  Scenario scenario;
  scenario.read_text(file.read_text("/scenario"), path + ":/scenario");
  const std::string provenance = kind + ", seed " + std::to_string(file.attribute_count("/", "seed")) +
                                 ", cohlink " + file.attribute_text("/", "version") + " (" +
                                 file.attribute_text("/", "git_hash") + ")";
  return "<section>\n" + tag("h2", std::filesystem::path(path).filename().string()) + "<p class=\"sub\">" +
         html_text(provenance) + "</p>\n" + body +
         "<details><summary>scenario: what differs from the defaults</summary>\n" +
         scenario_summary(scenario) + "</details>\n<details><summary>the whole scenario</summary>\n<pre>" +
         html_text(scenario.resolved()) + "</pre></details>\n</section>\n";
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
  std::string body;
  for (const auto& path : paths) body += section(path);
  return "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n"
         "<meta name=\"viewport\" content=\"width=device-width,initial-scale=1\">\n<title>" +
         html_text(title) + "</title>\n<style>" + std::string(kStyle) +
         "</style>\n</head>\n<body>\n<main>\n" + tag("h1", title) + "<p class=\"sub\">made by cohlink " +
         std::string(version().number) + " (" + std::string(version().git_hash) + ")</p>\n" + body +
         std::string(kCaution) + "</main>\n</body>\n</html>\n";
}

}  // namespace cohlink
