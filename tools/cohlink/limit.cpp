// cohlink limit: where a scenario key crosses a criterion.
#include <algorithm>
#include <cmath>
#include <iostream>
#include <map>
#include <optional>

#include "sim/signal/scenario/strings.h"
#include "tools/cohlink/command_line.h"
#include "tools/cohlink/commands.h"
#include "tools/cohlink/console.h"
#include "tools/cohlink/refusals.h"
#include "tools/cohlink/resume.h"
#include "tools/study/files/study_file.h"
#include "tools/study/parts/ranks.h"
#include "tools/study/plan/numbers.h"
#include "tools/study/plan/ties.h"
#include "tools/study/run/rank_frames.h"
#include "tools/study/search/limit_report.h"
#include "tools/study/search/optimum.h"

namespace cohlink {
namespace {

/// "KEY=a:b".
void read_range(const std::string& text, LimitRule& rule) {
  const std::string where = "--vary " + text;
  const auto equals = text.find('=');
  if (equals == std::string::npos) throw InputError(where + ": expected KEY=a:b");
  rule.key = trim(text.substr(0, equals));
  if (find_key(rule.key) == nullptr) {
    const std::string near = nearest_key(rule.key);
    throw InputError("--vary " + rule.key + ": unknown key" +
                     (near.empty() ? "" : "; did you mean " + near + "?"));
  }
  const std::string range = text.substr(equals + 1);
  const auto colon = range.find(':');
  const auto from = parse_number(trim(range.substr(0, colon)));
  const auto to = colon == std::string::npos ? std::nullopt : parse_number(trim(range.substr(colon + 1)));
  if (!from || !to) throw InputError(where + ": expected two numbers, KEY=a:b");
  rule.from = *from, rule.to = *to;
}

LimitRule read_rule(const CommandLine& line, Scenario& scenario) {
  LimitRule rule;
  const auto ranges = take_ties(scenario, line.texts("vary"), "--vary");
  if (ranges.size() != 1) throw InputError("limit needs one --vary KEY=a:b");
  rule.origin = "--vary";
  read_range(ranges.front(), rule);
  rule.criterion =
      parse_criterion(line.has("criterion") ? line.text("criterion") : "fec", scenario, "--criterion");
  if (rule.criterion.kind == Criterion::Kind::kPenalty)
    refuse_varied_osnr(rule.key, "--criterion penalty_db", "--vary");
  rule.frames = static_cast<std::uint64_t>(scenario.integer("run.frames"));
  if (line.has("resolution")) {
    const auto percent = parse_number(line.text("resolution"));
    if (!percent || *percent <= 0.0 || *percent > 50.0)
      throw InputError("--resolution " + line.text("resolution") + ": expected a percentage up to 50");
    rule.resolution = *percent / 100.0;
  }
  // Both ends, checked before any work.
  for (const double end : {rule.from, rule.to})
    Scenario(scenario).set(rule.key, short_decimal(end), "--vary");
  return rule;
}

/// The best values of the probes, as they were found.
class Optima {
 public:
  Optima(const CommandLine& line, const Scenario& scenario, const LimitRule& limit) : limit_(limit) {
    if (!line.has("optimise")) return;
    rule_ = parse_optimum(line.text("optimise"), scenario, "--optimise");
    if (rule_->key == limit.key) throw InputError("--optimise " + rule_->key, "is what --vary searches over");
    check_criterion(*rule_, limit.criterion);
  }
  std::string key() const { return rule_ ? rule_->key : limit_.key; }
  SourceMaker over(SourceMaker source, unsigned threads, bool quiet) {
    if (!rule_) return source;
    return optimised(std::move(source), *rule_, threads,
                     [this, quiet](const Scenario& scenario, const Optimum& best) {
                       found_[scenario.written(limit_.key)] = best;
                       note(quiet, limit_.key + " = " + scenario.written(limit_.key) + ": best at " +
                                       rule_->key + " = " + fixed(best.at.value, 2));
                     });
  }
  Table beside(Table probes, const Limit& limit) const {
    if (!rule_) return probes;
    std::vector<std::optional<Optimum>> optima;
    for (const LimitProbe& probe : limit.probes) {
      const auto found = found_.find(short_decimal(probe.value));
      optima.push_back(found == found_.end() ? std::nullopt : std::optional(found->second));
    }
    add_optima(probes, *rule_, optima);
    return probes;
  }

 private:
  const LimitRule& limit_;
  std::optional<OptimumRule> rule_;
  std::map<std::string, Optimum> found_;  // by value of the limit's key
};

std::string margin_text(const LimitProbe& p) {
  if (std::isnan(p.low_db)) return lock_text(p);
  return "margin " +
         (std::isnan(p.margin_db) ? "at least " + readable(p.low_db, 3) : readable(p.margin_db, 3)) +
         " dB, " + grouped(p.frames) + " frames";
}

Scenario with_value(Scenario scenario, const std::string& key, double value) {
  scenario.set(key, short_decimal(value), "--vary");
  return scenario;
}

void declare_options(CommandLine& line) {
  namespace po = boost::program_options;
  line.own()("vary", po::value<std::vector<std::string>>()->composing()->value_name("KEY=a:b"),
             "the key and where to look; either end may be the good one; others that follow it as in --tie")(
      "criterion", po::value<std::string>()->value_name("NAME=BOUND"),
      "what must hold; default fec, the threshold of the verdict")(
      "resolution", po::value<std::string>()->value_name("PERCENT"),
      "of the range, where bisecting ends; default 2")(
      "optimise", po::value<std::string>()->value_name("KEY[=a:b]"),
      "judge each value at the best value of this key, such as transmitter.launch_power_dbm: that of the "
      "SNR")("output,o", po::value<std::string>()->value_name("FILE"),
             "write the result as HDF5, for reports")("probes", "print the table of probed values alone");
}

/// Light hazards and set-up, at both ends of the range.
void look_at_ends(const Scenario& scenario, const LimitRule& rule, const FftCache& fft, unsigned threads) {
  const std::vector<Scenario> ends = {with_value(scenario, rule.key, rule.from),
                                      with_value(scenario, rule.key, rule.to)};
  light_hazard_caution(check_scenarios(ends, fft, threads));
  set_up_cautions(ends);
}

std::shared_ptr<FrameReuse> reuse_of(const Scenario& scenario, const LimitRule& rule, const Optima& optima) {
  std::vector<std::string> varied = {rule.key, optima.key()};
  if (rule.criterion.kind == Criterion::Kind::kPenalty) varied.emplace_back("channel.osnr_db");
  return std::make_shared<FrameReuse>(search_reuse_rule(scenario, varied));
}

void show(const Table& probes, const std::vector<Fact>& facts, const Scenario& scenario,
          const CommandLine& line) {
  const CommonOptions& options = line.common();
  if (!options.output.empty()) write_study({"limit", {{"probes", probes}}, facts}, scenario, options.output);
  if (line.has("probes"))
    print(std::cout, probes, options.format);
  else
    print(std::cout, {{"probes", probes}}, facts, options.format);
}

struct Order {
  const Scenario& scenario;
  const LimitRule& rule;
  Optima& optima;
};

/// What the rank does that searches and prints.
int lead(const Order& order, const SourceMaker& simulated, const FftCache& fft, unsigned threads,
         const CommandLine& line) {
  const auto& [scenario, rule, optima] = order;
  const bool quiet = line.common().quiet;
  note_unused_draws(scenario, quiet);
  caution_unread(scenario, {rule.key, optima.key()});
  look_at_ends(scenario, rule, fft, threads);
  const auto journal = open_journal(line.common(), study_identity("limit", scenario));
  const LimitProgress progress = [quiet, key = rule.key](const LimitProbe& p) {
    note(quiet, key + " = " + readable(p.value, 5) + ": " + margin_text(p));
  };
  Limit found;
  const auto study = [&](const FrameWork& work) {
    const SourceMaker source = order.optima.over(recorded(work.source, journal.get()), work.threads, quiet);
    found = find_limit(order.scenario, order.rule, source, work.threads, progress);
  };
  share_frames(simulated, fft, threads, study, [quiet](const std::string& text) { note(quiet, text); });
  show(optima.beside(probe_table(rule, found), found), limit_facts(rule, found), scenario, line);
  end_journal(journal.get());
  return found.crossed() ? kDone : kRequirementFailed;
}

}  // namespace

int limit(const Arguments& arguments) {
  CommandLine line(
      "limit SCENARIO... --vary KEY=a:b [--criterion fec|ber=B|ngmi=I|q_db=Q|snr_db=S|penalty_db=P]",
      "Finds where a key crosses a criterion between a and b: reach, widest linewidth, largest DGD, lowest\n"
      "received power. Brackets and bisects; each value is counted until it is decided or run.frames are\n"
      "spent. The limit stands between the last value proven to hold and the first proven to fail.\n"
      "penalty_db is against a. Exit status 0 when the limit is found, 1 when the range holds or fails\n"
      "throughout or stays undecided; the field 'found' says which.");
  declare_options(line);
  if (!line.parse(arguments)) return kDone;
  Scenario scenario = scenario_to_study(line, "limit");
  const LimitRule rule = read_rule(line, scenario);
  Optima optima(line, scenario, rule);
  FftCache fft(planning_of(scenario));
  const unsigned threads = threads_of_rank(asked_threads(line.common(), scenario), rule.frames);
  const SourceMaker simulated = simulation(fft, reuse_of(scenario, rule, optima));
  if (world().leads()) return lead({scenario, rule, optima}, simulated, fft, threads, line);
  follow_frames(simulated, fft, threads);
  return kDone;
}

}  // namespace cohlink
