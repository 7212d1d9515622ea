#include "tools/cohlink/light_path.h"

#include <algorithm>
#include <cmath>

#include "sim/optical_path.h"
#include "sim/signal/line/read_line.h"
#include "sim/signal/line/wide_band.h"
#include "sim/signal/units.h"
#include "tools/study/plan/numbers.h"

namespace cohlink {
namespace {

double in_km(double metres) { return as_written(metres / 1e3); }
double in_db(double ratio) { return as_written(to_db(ratio)); }

/// As far as it is told here.
bool alike(const LineSection& a, const LineSection& b) {
  return a.span.length == b.span.length && a.span.loss == b.span.loss && a.span.beta2 == b.span.beta2 &&
         a.lumped_loss == b.lumped_loss;
}

std::string describe_section(const LineSection& section, double wavelength) {
  const Span& span = section.span;
  return readable(in_km(span.length)) + " km: " + readable(in_db(span.total_loss())) + " dB lost in fibre" +
         (section.lumped_loss > 1.0
              ? ", " + readable(in_db(section.lumped_loss)) + " dB in connectors and switches"
              : "") +
         (section.module_loss > 1.0
              ? ", " + readable(in_db(section.module_loss)) + " dB in the dispersion module"
              : "") +
         "; " + readable(as_written(beta2_length_to_accumulated(span.beta2 * span.length, wavelength)), 5) +
         " ps/nm";
}

std::string describe_gain(const std::vector<LineSection>& sections) {
  const auto amplifiers = std::count_if(sections.begin(), sections.end(), [](const LineSection& section) {
    return section.amplifier.mode != GainMode::kNone;
  });
  if (amplifiers == 0) return "no amplifier";
  return "made up by " + std::to_string(amplifiers) + (amplifiers == 1 ? " amplifier" : " amplifiers") +
         (sections.back().amplifier.mode == GainMode::kNone ? ", none before the receiver" : "");
}

void add_spans(std::vector<Fact>& facts, const Line& line) {
  const std::vector<LineSection>& sections = line.sections;
  double total = 1.0;
  for (std::size_t first = 0, next = 0; first < sections.size(); first = next) {
    for (; next < sections.size() && alike(sections[first], sections[next]); ++next)
      total *= sections[next].total_loss();
    const std::string label = next - first == 1
                                  ? "span " + std::to_string(next)
                                  : "spans " + std::to_string(first + 1) + " to " + std::to_string(next);
    facts.push_back({"", label, {}, describe_section(sections[first], line.comb.wavelength)});
  }
  facts.push_back({"line_loss_db", "lost in all", in_db(total),
                   readable(in_db(total)) + " dB, " + describe_gain(sections)});
}

/// Powers at the end of each fibre where channels come to differ on the way.
void add_channel_walk(std::vector<Fact>& facts, const Line& line) {
  const CombWalk walk = walk_comb(line);
  if (walk.flat()) return;
  const Comb& comb = line.comb;
  std::vector<std::size_t> shown = {0, comb.under_test, comb.channels.size() - 1};
  shown.erase(std::unique(shown.begin(), shown.end()), shown.end());
  std::string numbers;
  for (const std::size_t c : shown)
    numbers += (numbers.empty() ? "" : ", ") + std::to_string(comb.channels[c].number) + " at " +
               readable(1e9 * kSpeedOfLight / (comb.centre() + comb.channels[c].offset), 6) + " nm";
  facts.push_back({"", "channels", {}, numbers + "; from the start of each fibre to its end:"});
  for (std::size_t k = 0; k < walk.sections.size(); ++k) {
    std::string text;
    for (const std::size_t c : shown)
      text += (text.empty() ? "" : ", ") + readable(watt_to_dbm(walk.sections[k].start[c])) + " to " +
              readable(watt_to_dbm(walk.sections[k].end[c]));
    facts.push_back({"", "span " + std::to_string(k + 1), {}, text + " dBm"});
  }
}

void add_filters(std::vector<Fact>& facts, const Scenario& scenario, const Line& line) {
  if (const auto width = scenario.optional_number("fibre.filter_bandwidth_ghz")) {
    std::uint64_t sites = 0;
    for (const LineSection& section : line.sections) sites += section.filters.size();
    const std::int64_t every = scenario.integer("fibre.filter_every_spans");
    facts.push_back({"filters", "optical filters", sites,
                     std::to_string(sites) + " of " + readable(*width) + " GHz, one after each " +
                         (every == 1 ? "span" : std::to_string(every) + " spans")});
  }
  if (const auto& filter = line.optics.filter) {
    const double ghz = as_written(filter->bandwidth / 1e9);
    facts.push_back({"receiver_filter_ghz", "receiver's filter", ghz, readable(ghz) + " GHz"});
  }
}

}  // namespace

std::string describe_spans(const Line& line) {
  if (line.sections.empty()) return "back to back";
  double total = 0.0;
  bool equal = true;
  for (const LineSection& section : line.sections) {
    total += section.span.length;
    equal = equal && section.span.length == line.sections.front().span.length;
  }
  const std::size_t count = line.sections.size();
  return std::to_string(count) + (count == 1 ? " span" : " spans") +
         (equal ? " of " + readable(in_km(line.sections.front().span.length)) + " km"
                : ", " + readable(in_km(total), 6) + " km in all");
}

Fact received_power_fact(const Scenario& scenario, const char* label) {
  // To 0.0001 dB: what the closed walk is good for.
  const double dbm = std::round(1e4 * watt_to_dbm(received_power(scenario))) / 1e4;
  return {"received_power_dbm", label, dbm, readable(dbm) + " dBm"};
}

std::vector<Fact> light_path_facts(const Scenario& scenario) {
  const Line line = read_line(scenario);
  if (line.sections.empty()) return {};
  std::vector<Fact> facts = {{"", "light path", {}, ""}};
  add_spans(facts, line);
  add_channel_walk(facts, line);
  if (const double pdl = in_db(line.sections.front().pdl); pdl > 0.0)
    facts.push_back({"site_pdl_db", "at each amplifier", pdl,
                     readable(pdl) + " dB lost by the worse polarisation, axes random"});
  add_filters(facts, scenario, line);
  try {
    facts.push_back(received_power_fact(scenario, "at the receiver"));
  } catch (const InputError&) {  // a pattern file, say, that is not here
  }
  return facts;
}

}  // namespace cohlink
