// Sweeps, limits, outages, required OSNR, budgets and data sets: what the commands of these names do.
#include <pybind11/stl.h>

#include <algorithm>
#include <mutex>

#include "sim/signal/scenario/strings.h"
#include "tools/python/module/support.h"
#include "tools/study/budget.h"
#include "tools/study/cautions.h"
#include "tools/study/files/dataset.h"
#include "tools/study/plan/numbers.h"
#include "tools/study/plan/refusals.h"
#include "tools/study/plan/ties.h"
#include "tools/study/run/sweep_run.h"
#include "tools/study/search/limit_report.h"
#include "tools/study/search/outage_report.h"
#include "tools/study/search/required_osnr_curve.h"

namespace cohlink::python {
namespace {

using Texts = std::vector<std::string>;

/// How a study runs: on so many threads (0: as the scenario says) and who hears of it.
struct Running {
  std::int64_t threads;
  py::object progress;
};

struct SweepQuestion {
  Texts vary;
  std::string measure, reference;
  bool common_noise;
};

struct LimitQuestion {
  std::string key;
  double from, to;
  std::string criterion;
  double resolution_percent;
};

struct ItemsWanted {
  std::uint64_t count;
  std::string folder;
  Texts laws;  // of what is drawn
  std::string splits, form;
  bool crop;
  Texts correlations;
  bool measure, repair;
};

unsigned threads_for(std::int64_t asked, const Scenario& scenario, std::size_t jobs) {
  return thread_count(asked > 0 ? asked : scenario.integer("run.threads"), jobs);
}

Texts cautions_of(const Scenario& scenario, const Texts& varied, double peak_watt) {
  Texts cautions = set_up_cautions_of(scenario);
  if (const auto text = hazard_caution(peak_watt)) cautions.push_back(*text);
  if (const auto text = unread_caution(scenario, varied)) cautions.push_back(*text);
  return cautions;
}

/// {"table": ..., "facts": ..., "cautions": ...}, whatever of them there is.
py::dict outcome(const std::vector<NamedTable>& tables, const std::vector<Fact>& facts,
                 const Texts& cautions) {
  py::dict named;
  for (const auto& [name, table] : tables) named[py::str(name)] = to_dict(table);
  py::dict out;
  out["tables"] = named;
  out["facts"] = to_dict(facts);
  out["cautions"] = py::cast(cautions);
  return out;
}

SweepOrder sweep_order(Scenario scenario, const SweepQuestion& question) {
  refuse_recording(scenario);
  SweepOrder order;
  const Texts axes = take_ties(scenario, question.vary, "");
  order.plan = make_plan(scenario, parse_vary(axes), question.common_noise);
  set_measure(order, question.measure);
  order.reference = question.reference;
  if (!order.reference.empty() && order.measure != SweepMeasure::kPenalty)
    throw InputError("reference", "is where a penalty is 0; it goes with the measure penalty_db");
  if (order.searches())
    for (const std::string& key : varied_keys(order.plan.axes)) refuse_varied_osnr(key, question.measure);
  return order;
}

/// Counts the frames of a search for whoever waits; a Stopped watch ends it with the frame at hand.
SourceMaker told(SourceMaker source, const Watch& watch, std::uint64_t most_frames) {
  const auto frames = std::make_shared<std::atomic<std::uint64_t>>(0);
  return watched(std::move(source), [&watch, frames, most_frames] {
    watch.tell(std::min(1.0, static_cast<double>(++*frames) / static_cast<double>(most_frames)));
  });
}

py::dict sweep(const Scenario& given, const SweepQuestion& question, const std::string& output,
               const Running& running) {
  const SweepOrder order = sweep_order(given, question);
  const FftCache& fft = plans(order.plan.base);
  std::uint64_t frames = 0;
  for (const SweepPoint& point : order.plan.points) frames += point.stop.frames;
  SweepRunOptions options;
  options.threads = threads_for(running.threads, order.plan.base, frames);
  double peak = 0.0;
  Table table;
  run_watched(fft, running.progress, [&](const Watch& watch) {
    peak = check_points(order, options.part, fft, options.threads);
    options.progress = [&](const SweepProgress& now) {
      watch.tell(static_cast<double>(now.frames_run) / std::max(1.0, now.frames_expected));
    };
    const SweepRecords records = run_sweep(order, options, fft);
    table = table_of(order, records);
    if (!output.empty()) write_sweep(order, records, table, output);
  });
  Texts axes;
  for (const Axis& axis : order.plan.axes) axes.push_back(axis.key);
  py::dict out =
      outcome({{"sweep", table}}, {}, cautions_of(order.plan.base, varied_keys(order.plan.axes), peak));
  out["shape"] = py::cast(order.plan.shape());
  out["axes"] = py::cast(axes);
  return out;
}

py::dict required_osnr(const Scenario& given, const Running& running) {
  const Scenario scenario = given;
  refuse_recording(scenario);
  const RequiredOsnrRule rule = required_osnr_rule(scenario);
  const FftCache& fft = plans(scenario);
  RequiredOsnr found;
  double peak = 0.0;
  run_watched(fft, running.progress, [&](const Watch& watch) {
    const unsigned count = threads_for(running.threads, scenario, rule.most_frames);
    peak = check_scenarios({scenario}, fft, count);
    const auto reuse = std::make_shared<FrameReuse>(search_reuse_rule(scenario, {"channel.osnr_db"}));
    found = find_required_osnr(scenario, rule, told(simulation(fft, reuse), watch, rule.most_frames), count);
  });
  const auto known = [&](double value) { return found.found ? Cell(value) : Cell(); };
  return outcome({},
                 {{"required_osnr_db", "", known(found.osnr_db), ""},
                  {"required_osnr_low", "", known(found.low_db), ""},
                  {"required_osnr_high", "", known(found.high_db), ""},
                  {"frames", "", found.frames, ""},
                  {"errors", "", found.errors, ""},
                  {"bits", "", found.bits, ""},
                  {"remark", "", found.failure, ""}},
                 cautions_of(scenario, {"channel.osnr_db"}, peak));
}

/// A rule whose ends the key accepts.
LimitRule limit_rule(const Scenario& scenario, const LimitQuestion& question) {
  refuse_recording(scenario);
  LimitRule rule;
  rule.key = question.key, rule.from = question.from, rule.to = question.to;
  rule.criterion = parse_criterion(question.criterion, scenario);
  if (rule.criterion.kind == Criterion::Kind::kPenalty) refuse_varied_osnr(rule.key, "penalty_db");
  rule.frames = static_cast<std::uint64_t>(scenario.integer("run.frames"));
  const double percent = question.resolution_percent;
  if (!(percent > 0.0 && percent <= 50.0))
    throw InputError("resolution_percent", "expected a percentage up to 50");
  rule.resolution = percent / 100.0;
  for (const double end : {rule.from, rule.to})
    Scenario(scenario).set(rule.key, short_decimal(end), Origin());
  return rule;
}

py::dict limit(const Scenario& given, const LimitQuestion& question, const Running& running) {
  const Scenario scenario = given;
  const LimitRule rule = limit_rule(scenario, question);
  const FftCache& fft = plans(scenario);
  std::vector<Scenario> ends(2, scenario);
  ends[0].set(rule.key, short_decimal(rule.from), Origin());
  ends[1].set(rule.key, short_decimal(rule.to), Origin());
  Texts varied = {rule.key};
  if (rule.criterion.kind == Criterion::Kind::kPenalty) varied.emplace_back("channel.osnr_db");
  Limit found;
  double peak = 0.0;
  run_watched(fft, running.progress, [&](const Watch& watch) {
    const unsigned count = threads_for(running.threads, scenario, rule.frames);
    peak = check_scenarios(ends, fft, count);
    const auto reuse = std::make_shared<FrameReuse>(search_reuse_rule(scenario, varied));
    // How many values a search probes is not known before; their frames are told as if it were ten.
    found = find_limit(scenario, rule, told(simulation(fft, reuse), watch, 10 * rule.frames), count);
  });
  return outcome({{"probes", probe_table(rule, found)}}, limit_facts(rule, found),
                 cautions_of(scenario, varied, peak));
}

py::dict outage(const Scenario& given, std::uint64_t realisations, const Texts& laws,
                const std::string& criterion_text, const Running& running) {
  OutageQuestion question;
  auto& [scenario, draws, criterion] = question;
  scenario = given;
  refuse_recording(scenario);
  const Texts drawn_laws = take_ties(scenario, laws, "");
  draws = read_draws(scenario, drawn_laws);
  for (const Draw& draw : draws)
    if (!draw.numeric) throw InputError("draw " + draw.key, "holds no number");
  criterion = parse_criterion(criterion_text, scenario);
  const std::uint64_t count =
      realisations > 0 ? realisations : static_cast<std::uint64_t>(scenario.integer("run.frames"));
  std::vector<Scenario> drawn{scenario};
  for (std::uint64_t n = 0; n < count && !draws.empty(); ++n)
    drawn.push_back(realisation_scenario(scenario, draws, n));
  const FftCache& fft = plans(scenario);
  Outage found;
  double peak = 0.0;
  run_watched(fft, running.progress, [&](const Watch& watch) {
    const unsigned workers = threads_for(running.threads, question.scenario, count);
    peak = check_scenarios(drawn, fft, workers);
    found = find_outage(question, count, told(simulation(fft), watch, count), workers);
  });
  Texts cautions = cautions_of(scenario, keys_of(draws), peak);
  if (!found.remark.empty()) cautions.push_back(found.remark);
  if (found.warned > 0) cautions.push_back(warned_text(found));
  return outcome({{"quantiles", quantile_table(found)}, {"realisations", realisation_table(found, draws)}},
                 outage_facts(found, criterion, draws, ""), cautions);
}

py::dict budget(const Scenario& scenario) {
  refuse_recording(scenario);
  const Budget budget = make_budget(scenario);
  std::vector<NamedTable> tables = {{"noise", noise_table(budget)}};
  if (!budget.spans.empty()) tables.emplace_back("spans", span_table(budget));
  return outcome(tables, budget_facts(budget), cautions_of(scenario, {}, budget.peak_power));
}

std::uint64_t make_items(const Scenario& given, const ItemsWanted& wanted, const Running& running) {
  Scenario tied = given;
  const Texts drawn = take_ties(tied, wanted.laws, "");
  const std::uint64_t count = wanted.count;
  DatasetOrder order{tied, read_draws(tied, drawn), count, wanted.folder, parse_splits(wanted.splits)};
  for (const auto& text : wanted.correlations)
    order.correlations.push_back(parse_correlation(text, "correlate"));
  correlate(order.draws, order.correlations, "correlate");
  order.form = parse_form(wanted.form, "form");
  order.form.crop = wanted.crop && order.form.kind != DatasetForm::Kind::kFiles;
  order.measure = wanted.measure;
  order.repair = wanted.repair;
  refuse_recording(order.scenario);
  refuse_untouched_draws(order.draws);
  if (count == 0 || count > 1'000'000) throw InputError("items", "expected 1 to 1,000,000");
  const FftCache& fft = plans(order.scenario);
  const unsigned workers = threads_for(running.threads, order.scenario, count);
  std::uint64_t before = 0;
  run_watched(fft, running.progress, [&](const Watch& watch) {
    check_items(order, workers);
    before = open_dataset(order);
    std::mutex mutex;
    std::uint64_t made = before;
    make_dataset(order, fft, workers, {{}, [&] {
                                         const std::lock_guard lock(mutex);
                                         watch.tell(static_cast<double>(++made) / static_cast<double>(count));
                                       }});
  });
  return count - before;
}

}  // namespace

void bind_studies(py::module_& module) {
  py::class_<Running>(module, "Running").def(py::init<std::int64_t, py::object>());
  py::class_<SweepQuestion>(module, "SweepQuestion").def(py::init<Texts, std::string, std::string, bool>());
  py::class_<LimitQuestion>(module, "LimitQuestion")
      .def(py::init<std::string, double, double, std::string, double>());
  py::class_<ItemsWanted>(module, "ItemsWanted")
      .def(py::init<std::uint64_t, std::string, Texts, std::string, std::string, bool, Texts, bool, bool>());
  module.def("sweep", &sweep);
  module.def("required_osnr", &required_osnr);
  module.def("limit", &limit);
  module.def("outage", &outage);
  module.def("budget", &budget);
  module.def("make_dataset", &make_items);
  module.def("unit_of", [](const std::string& column) { return unit_of_column(column); });
}

}  // namespace cohlink::python
