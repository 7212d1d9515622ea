// cohlink outage: how often a link fails over random realisations.
#include "tools/study/search/outage.h"

#include <algorithm>
#include <atomic>
#include <cmath>
#include <iostream>

#include "rx/quality/metrics.h"
#include "tools/cohlink/command_line.h"
#include "tools/cohlink/commands.h"
#include "tools/cohlink/console.h"
#include "tools/cohlink/refusals.h"
#include "tools/cohlink/resume.h"
#include "tools/study/files/study_file.h"
#include "tools/study/plan/numbers.h"
#include "tools/study/run/executor.h"
#include "tools/study/search/rare_outage.h"

namespace cohlink {
namespace {

constexpr double kNoPdlDb = 1e-6;  // less is rounding

std::vector<double> column(const Outage& outage, const std::function<double(const Realisation&)>& of) {
  std::vector<double> values;
  for (const Realisation& r : outage.realisations) values.push_back(of(r));
  return values;
}

double q_db(const Realisation& r) {
  if (!r.locked) return r.snr_db;
  return r.count.bits == 0 ? std::nan("") : q_from_ber_db(r.count.ber());
}

/// A number, or an empty cell where lock was lost.
Cell finite(double value) { return std::isfinite(value) ? Cell(value) : Cell(); }

Table distribution(const Outage& outage) {
  Table table;
  Column part{"quantile"}, snr{"snr_db", Look::kHundredths}, q{"q_db", Look::kHundredths},
      penalty{"snr_penalty_db", Look::kHundredths};
  for (const double p : {0.0, 0.01, 0.1, 0.5, 0.9, 0.99, 1.0}) {
    part.cells.emplace_back(p);
    snr.cells.push_back(
        finite(Outage::quantile(column(outage, [](const Realisation& r) { return r.snr_db; }), p)));
    q.cells.push_back(finite(Outage::quantile(column(outage, q_db), p)));
    penalty.cells.push_back(
        finite(Outage::quantile(column(outage, [](const Realisation& r) { return r.snr_penalty_db; }), p)));
  }
  for (auto* c : {&part, &snr, &q, &penalty}) table.columns.push_back(std::move(*c));
  return table;
}

bool has_dgd(const Outage& outage) {
  return std::any_of(outage.realisations.begin(), outage.realisations.end(),
                     [](const Realisation& r) { return r.dgd_ps != 0.0; });
}

bool has_pdl(const Outage& outage) {
  return std::any_of(outage.realisations.begin(), outage.realisations.end(),
                     [](const Realisation& r) { return r.pdl_db > kNoPdlDb; });
}

Table each(const Outage& outage, const std::vector<Draw>& draws) {
  Table table;
  Column number{"frame"}, ber{"ber", Look::kScientific}, errors{"errors"}, bits{"bits"},
      snr{"snr_db", Look::kHundredths}, penalty{"snr_penalty_db", Look::kHundredths}, out{"outage"},
      locked{"locked"}, dgd{"dgd_ps", Look::kHundredths}, pdl{"pdl_db", Look::kHundredths};
  std::vector<Column> drawn;
  for (const Draw& draw : draws) drawn.push_back({draw.key});
  for (const Realisation& r : outage.realisations) {
    number.cells.emplace_back(r.number);
    for (std::size_t i = 0; i < drawn.size(); ++i) drawn[i].cells.emplace_back(r.values[i]);
    ber.cells.push_back(r.locked && r.count.bits > 0 ? Cell(r.count.ber()) : Cell());
    errors.cells.emplace_back(r.count.errors);
    bits.cells.emplace_back(r.count.bits);
    snr.cells.push_back(finite(r.snr_db));
    penalty.cells.push_back(finite(r.snr_penalty_db));
    out.cells.emplace_back(r.outage);
    locked.cells.emplace_back(r.locked);
    dgd.cells.emplace_back(r.dgd_ps);
    pdl.cells.push_back(finite(r.pdl_db));
  }
  table.columns.push_back(std::move(number));
  for (auto& c : drawn) table.columns.push_back(std::move(c));
  if (has_dgd(outage)) table.columns.push_back(std::move(dgd));
  if (has_pdl(outage)) table.columns.push_back(std::move(pdl));
  for (auto* c : {&ber, &errors, &bits, &snr, &penalty, &out, &locked})
    table.columns.push_back(std::move(*c));
  return table;
}

/// The command that makes the worst capture again.
std::string repeat_command(const CommonOptions& options, const Scenario& scenario,
                           const std::vector<Draw>& draws, const Realisation& worst) {
  std::string text = "cohlink simulate";
  for (const auto& file : options.files) text += " " + shell_quoted(file);
  for (const auto& setting : options.settings) text += " --set " + shell_quoted(setting);
  text += " --seed " + std::to_string(scenario.integer("run.seed")) + " --set fibre.birefringence=redrawn";
  for (std::size_t i = 0; i < draws.size(); ++i)
    text += " --set " + draws[i].key + "=" + exact_decimal(worst.values[i]);
  return text + " --frame " + std::to_string(worst.number) + " -o worst.h5";
}

/// "channel.dgd_ps=maxwell:20, ...".
std::string draws_text(const std::vector<Draw>& draws) {
  std::string text;
  for (const Draw& draw : draws) text += (text.empty() ? "" : ", ") + draw.key + "=" + draw_text(draw);
  return text;
}

/// "frame 3, BER 1.2e-02, SNR 9.1 dB, SNR penalty 0.4 dB, DGD 31 ps".
std::string realisation_text(const Outage& outage, const Realisation& r) {
  std::string text = "frame " + std::to_string(r.number);
  if (!r.locked) return text + ", no lock";
  if (r.count.bits > 0) text += ", BER " + scientific(r.count.ber());
  text += ", SNR " + readable(r.snr_db) + " dB, SNR penalty " + readable(r.snr_penalty_db, 3) + " dB";
  if (has_dgd(outage)) text += ", DGD " + readable(r.dgd_ps, 3) + " ps";
  return text + (has_pdl(outage) ? ", PDL " + readable(r.pdl_db, 3) + " dB" : "");
}

std::string warned_text(const Outage& outage) {
  const std::string text = grouped(outage.warned) + " realisations in which the receiver warned";
  if (outage.warned == 0) return text;
  return text + ", " + grouped(outage.common_count) + " of them: " + outage.common_warning;
}

std::vector<Fact> outage_facts(const Outage& outage, const Criterion& criterion,
                               const std::vector<Draw>& draws, const std::string& repeat) {
  const auto count = static_cast<std::uint64_t>(outage.realisations.size());
  const double probability = static_cast<double>(outage.outages) / static_cast<double>(count);
  const Realisation& worst = outage.realisations[outage.worst];
  const std::string laws = draws_text(draws);
  std::vector<Fact> facts = {
      {"criterion", "criterion", criterion.text(), criterion.text()},
      {"expected_errors_at_bound", "", finite(outage.expected_errors), ""},
      {"draws", "drawn", laws, laws.empty() ? "nothing but birefringence, data and noise" : laws},
      {"realisations", "realisations", count, grouped(count)},
      {"outages", "outages", outage.outages, grouped(outage.outages)},
      {"outage_probability", "outage probability", probability, readable(probability, 3)},
      {"outage_low", "95 % interval", outage.probability.low,
       readable(outage.probability.low, 3) + " to " + readable(outage.probability.high, 3)},
      {"outage_high", "", outage.probability.high, ""},
      {"reference_snr_db", "SNR of the reference", outage.reference_snr_db,
       readable(outage.reference_snr_db) +
           " dB   (no PMD, no PDL of amplifiers, drawn keys as the scenario has them)"},
      {"worst_frame", "worst realisation", worst.number, realisation_text(outage, worst)},
      {"frames_without_lock", "without lock", outage.unlocked,
       grouped(outage.unlocked) + " realisations, each an outage"},
      {"repeat", "repeat it", repeat, repeat},
      {"frames_warned", "warned", outage.warned, warned_text(outage)},
      {"commonest_warning", "", outage.common_warning, outage.common_warning},
  };
  if (!outage.remark.empty()) facts.push_back({"remark", "remark", outage.remark, outage.remark});
  return facts;
}

/// What each stratum of screened realisations gave.
Table strata_table(const RareOutage& found) {
  Table table;
  Column screened{"screened"}, simulated{"simulated"}, outages{"outages"},
      from{"dgd_from_ps", Look::kHundredths}, to{"dgd_to_ps", Look::kHundredths},
      pdl_from{"pdl_from_db", Look::kHundredths}, pdl_to{"pdl_to_db", Look::kHundredths};
  for (const Stratum& s : found.strata) {
    screened.cells.emplace_back(s.screened);
    simulated.cells.emplace_back(s.simulated);
    outages.cells.emplace_back(s.outages);
    from.cells.emplace_back(s.mildest.dgd_ps), to.cells.emplace_back(s.hardest.dgd_ps);
    pdl_from.cells.push_back(finite(s.mildest.pdl_db)), pdl_to.cells.push_back(finite(s.hardest.pdl_db));
  }
  for (auto* c : {&from, &to, &pdl_from, &pdl_to, &screened, &simulated, &outages})
    table.columns.push_back(std::move(*c));
  return table;
}

std::vector<Fact> rare_facts(const RareOutage& found, const Criterion& criterion,
                             const std::vector<Draw>& draws, std::uint64_t screened) {
  const std::string laws = draws_text(draws);
  std::vector<Fact> facts = {
      {"criterion", "criterion", criterion.text(), criterion.text()},
      {"draws", "drawn", laws, laws.empty() ? "nothing but birefringence, data and noise" : laws},
      {"screened", "screened", screened, grouped(screened) + " realisations, by DGD and PDL"},
      {"realisations", "simulated", found.frames, grouped(found.frames)},
      {"outage_probability", "outage probability", found.probability, readable(found.probability, 3)},
      {"outage_low", "95 % interval", found.interval.low,
       readable(found.interval.low, 3) + " to " + readable(found.interval.high, 3)},
      {"outage_high", "", found.interval.high, ""},
      {"reference_snr_db", "SNR of the reference", found.reference_snr_db,
       readable(found.reference_snr_db) + " dB   (no PMD, no PDL of amplifiers, drawn keys as given)"}};
  if (!found.remark.empty()) facts.push_back({"remark", "rests on", found.remark, found.remark});
  return facts;
}

void tell_rare(const RareOutage& found, const std::vector<Fact>& facts, const Scenario& scenario,
               const CommonOptions& options) {
  const Table strata = strata_table(found);
  if (!options.output.empty()) write_study({"outage", {{"strata", strata}}, facts}, scenario, options.output);
  print(std::cout, {{"strata", strata}}, facts, options.format);
}

}  // namespace

int outage(const Arguments& arguments) {
  CommandLine line(
      "outage SCENARIO... [--draw KEY=LAW] [--criterion ber|ber=B|q_db=Q|snr_db=S|snr_penalty_db=P]",
      "Runs the link over random realisations: birefringence and noise of every frame drawn anew, and any\n"
      "keys that --draw names. Distribution of SNR, Q and SNR penalty; outage probability with its\n"
      "Clopper-Pearson interval; the worst case by the criterion, with the command that repeats it. "
      "Cautions\n"
      "where frames are too short for a BER criterion.");
  namespace po = boost::program_options;
  line.own()("realisations,n", po::value<std::string>()->value_name("N"), "how many; default run.frames")(
      "draw", po::value<std::vector<std::string>>()->composing()->value_name("KEY=LAW"),
      "a:b, log:a:b, normal:mean:deviation, maxwell:mean or choice:v1|v2; once a key; replaces its law "
      "in the scenario's [draw] section")("criterion", po::value<std::string>()->value_name("NAME=BOUND"),
                                          "what must hold; default ber, the FEC threshold")(
      "each", "print the table of realisations alone")(
      "screen", po::value<std::string>()->value_name("N"),
      "for outages too rare to count: draw N realisations, look at their DGD and PDL, and simulate -n of "
      "them, most from the tail")("output,o", po::value<std::string>()->value_name("FILE"),
                                  "write the result as HDF5, for reports");
  if (!line.parse(arguments)) return kDone;
  const CommonOptions& options = line.common();
  if (options.files.empty()) throw InputError("outage needs a scenario file");
  check_output(options.output, options.files);
  const Scenario scenario = layered(Scenario(), options.files, options);
  refuse_recording(scenario);
  const std::vector<Draw> draws = read_draws(scenario, line.texts("draw"), "--draw");
  for (const Draw& draw : draws)
    if (!draw.numeric) throw InputError("--draw " + draw.key + ": holds no number");
  const Criterion criterion =
      parse_criterion(line.has("criterion") ? line.text("criterion") : "ber", scenario, "--criterion");
  const auto count =
      line.count("realisations", 1).value_or(static_cast<std::uint64_t>(scenario.integer("run.frames")));
  caution_unread(scenario, keys_of(draws));
  constexpr std::uint64_t kMost = 1'000'000;  // all are kept, to be sorted
  if (count > kMost) throw InputError("-n " + std::to_string(count) + ": at most 1,000,000 realisations");
  if (draws.empty() && scenario.number("fibre.pmd_ps_per_sqrt_km") == 0.0 &&
      scenario.number("amplifier.pdl_db") == 0.0)
    note(options.quiet, "no PMD, no PDL and no --draw: only noise and data differ between realisations");

  std::vector<Scenario> drawn{scenario};
  for (std::uint64_t number = 0; number < count && !draws.empty(); ++number)
    drawn.push_back(realisation_scenario(scenario, draws, number));
  FftCache fft(planning_of(scenario));
  const unsigned threads = thread_count(asked_threads(options, scenario), count);
  light_hazard_caution(check_scenarios(drawn, fft, threads));
  set_up_cautions({scenario});
  const auto journal = open_journal(options, study_identity("outage", scenario));
  SourceMaker source = recorded(simulation(fft), journal.get());
  ProgressBar bar(options.quiet);
  std::atomic<std::uint64_t> frames = 0;
  const auto progress = [&] {
    const std::uint64_t done = ++frames;
    bar.show(static_cast<double>(done) / static_cast<double>(count),
             grouped(std::min(done, count)) + " of " + grouped(count) + " realisations");
  };
  source = watched(std::move(source), progress);
  if (const auto screened = line.count("screen", count)) {
    constexpr std::uint64_t kMostScreened = 10'000'000;  // all are kept, to be sorted
    if (*screened > kMostScreened)
      throw InputError("--screen " + std::to_string(*screened) + ": at most 10,000,000 realisations");
    const RareOutage found = find_rare_outage(scenario, screen(scenario, draws, *screened, threads), draws,
                                              criterion, {count, 0.95}, source, threads);
    bar.clear();
    tell_rare(found, rare_facts(found, criterion, draws, *screened), scenario, options);
    end_journal(journal.get());
    return kDone;
  }
  const Outage found = find_outage(scenario, count, draws, criterion, source, threads);
  bar.clear();
  const std::vector<Fact> facts = outage_facts(
      found, criterion, draws, repeat_command(options, scenario, draws, found.realisations[found.worst]));
  const Table quantiles = distribution(found), realisations = each(found, draws);
  if (!options.output.empty())
    write_study({"outage", {{"quantiles", quantiles}, {"realisations", realisations}}, facts}, scenario,
                options.output);
  if (!found.remark.empty()) caution(found.remark);
  if (found.warned > 0) caution(warned_text(found));
  if (line.has("each")) {
    print(std::cout, realisations, options.format);
  } else {
    if (options.format == Format::kText)
      std::cout << "each column by itself: the value that this share of the realisations stays at or below\n";
    print(std::cout, {{"quantiles", quantiles}}, facts, options.format);
  }
  end_journal(journal.get());
  return kDone;
}

}  // namespace cohlink
