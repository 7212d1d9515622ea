#include "tools/study/search/outage.h"

#include <algorithm>
#include <cmath>
#include <limits>

#include <cctype>
#include <map>

#include "tools/study/plan/numbers.h"
#include "tools/study/plan/realisations.h"
#include "tools/study/run/executor.h"

namespace cohlink {
namespace {

constexpr std::uint64_t kReferenceFrames = 4;
/// Errors expected at the bound that let a frame be judged: they scatter by a third.
constexpr double kFewestErrors = 10.0;

bool fails(const OutageQuestion& question, const Realisation& r) {
  const Criterion& criterion = question.criterion;
  switch (criterion.kind) {
    case Criterion::Kind::kBer:
      return r.count.ber() > criterion.bound;
    case Criterion::Kind::kPostFec:
      return r.post_fec.ber() > criterion.bound;
    case Criterion::Kind::kNgmi:
    case Criterion::Kind::kRate:
      return r.ngmi < criterion.threshold(question.scenario)->value;
    case Criterion::Kind::kSnr:
      return r.snr_db < criterion.bound;
    default:
      return r.snr_penalty_db > criterion.bound;
  }
}

/// What the criterion ranks realisations by, the larger the worse.
double badness(const Criterion& criterion, const Realisation& r) {
  if (!r.locked) return std::numeric_limits<double>::infinity();
  switch (criterion.kind) {
    case Criterion::Kind::kBer:
      return r.count.ber();
    case Criterion::Kind::kPostFec:
      return r.post_fec.ber();
    case Criterion::Kind::kNgmi:
    case Criterion::Kind::kRate:
      return -r.ngmi;
    default:
      return -r.snr_db;
  }
}

std::size_t worst_of(const std::vector<Realisation>& realisations, const Criterion& criterion) {
  const auto better = [&](const Realisation& a, const Realisation& b) {
    const double x = badness(criterion, a), y = badness(criterion, b);
    return x != y ? x < y : a.snr_db > b.snr_db;
  };
  return static_cast<std::size_t>(std::max_element(realisations.begin(), realisations.end(), better) -
                                  realisations.begin());
}

/// Warnings that differ in their numbers alone count as one, shown as it was first given.
void count_warnings(Outage& outage) {
  std::map<std::string, std::pair<std::uint64_t, const std::string*>> kinds;
  for (const Realisation& r : outage.realisations) {
    if (r.warning.empty()) continue;
    ++outage.warned;
    std::string kind = r.warning;
    std::erase_if(kind, [](unsigned char c) { return std::isdigit(c) || c == '.'; });
    auto& [count, example] = kinds.try_emplace(kind, 0, &r.warning).first->second;
    if (++count <= outage.common_count) continue;
    outage.common_count = count;
    outage.common_warning = *example;
  }
}

/// Whether frames are long enough for the criterion.
void judge_frames(Outage& outage, const Criterion& criterion, double symbols) {
  outage.expected_errors = std::nan("");
  const auto locked = std::find_if(outage.realisations.begin(), outage.realisations.end(),
                                   [](const Realisation& r) { return r.locked && r.count.bits > 0; });
  if (criterion.kind != Criterion::Kind::kBer || locked == outage.realisations.end()) return;
  outage.expected_errors = criterion.bound * static_cast<double>(locked->count.bits);
  if (outage.expected_errors >= kFewestErrors) return;
  // In whole kilosymbols; edges that are not scored make it a little more than enough.
  const double needed = 1024.0 * std::ceil(symbols * kFewestErrors / outage.expected_errors / 1024.0);
  outage.remark = "frames are too short for this criterion: at the bound the " + grouped(locked->count.bits) +
                  " bits of one hold " + readable(outage.expected_errors, 2) +
                  " errors, so their count cannot tell on which side of it a realisation is; for " +
                  readable(kFewestErrors) + " errors signal.symbols must be about " +
                  grouped(static_cast<std::uint64_t>(needed)) + ", or ask by snr_db or snr_penalty_db";
}

double reference_snr_db(const Scenario& scenario, const SourceMaker& source, unsigned threads) {
  Scenario calm = scenario;
  calm.set("fibre.pmd_ps_per_sqrt_km", "0", "outage reference");
  calm.set("amplifier.pdl_db", "0", "outage reference");
  Meter meter(source(calm), threads);
  meter.run(kReferenceFrames);
  return meter.total().unlocked > 0 ? std::nan("") : meter.total().snr_db();
}

}  // namespace

Scenario realisation_scenario(const Scenario& scenario, const std::vector<Draw>& draws,
                              std::uint64_t number) {
  Scenario result = scenario;
  result.set("fibre.birefringence", "redrawn", "outage");
  const auto seed = static_cast<std::uint64_t>(scenario.integer("run.seed"));
  for (const Draw& draw : draws) result.set(draw.key, drawn_text(draw, seed, number), draw.origin);
  return result;
}

double Outage::quantile(std::vector<double> values, double part) {
  return quantile_of(std::move(values), part);
}

void count_realisations(const OutageQuestion& question, const std::vector<std::uint64_t>& numbers,
                        const SourceMaker& source, unsigned threads) {
  const auto& [scenario, draws, criterion] = question;
  const FrameSource common = draws.empty() ? source(realisation_scenario(scenario, draws, 0)) : nullptr;
  for_each_index(numbers.size(), threads, [&, &base = scenario, &laws = draws](std::size_t i) {
    common ? common(numbers[i]) : source(realisation_scenario(base, laws, numbers[i]))(numbers[i]);
  });
}

Realiser::Realiser(const OutageQuestion& question, const SourceMaker& source, unsigned threads)
    : question_(question), source_(source) {
  const auto& [scenario, draws, criterion] = question;
  if (criterion.kind == Criterion::Kind::kPenalty)
    throw InputError(
        "penalty_db is one of required OSNR, which needs more than the one frame of a realisation; write "
        "snr_penalty_db=P");
  if (criterion.threshold(scenario)) EquivalentSnr{scenario};  // symbols with bits
  reference_snr_db_ = cohlink::reference_snr_db(scenario, source, threads);
  if (criterion.kind == Criterion::Kind::kSnrPenalty && std::isnan(reference_snr_db_))
    throw RunError(
        "the receiver loses lock on the reference (no PMD, no PDL of amplifiers, drawn keys as the scenario "
        "has them): no SNR to hold a penalty against");
  if (draws.empty()) common_ = source(realisation_scenario(scenario, draws, 0));
}

Realisation Realiser::operator()(std::uint64_t number) const {
  Realisation r;
  r.number = number;
  const auto& [scenario, draws, criterion] = question_;
  const auto seed = static_cast<std::uint64_t>(scenario.integer("run.seed"));
  for (const Draw& draw : draws) r.values.push_back(drawn_value(draw, seed, number));
  const FrameResult result =
      common_ ? common_(number) : source_(realisation_scenario(scenario, draws, number))(number);
  r.count = result.count;
  r.ngmi = result.mean_ngmi();
  r.post_fec = result.post_fec;
  // Its guessed bits and SNR (search.h) would pass low bounds and rank above locked frames.
  r.locked = result.unlocked == 0;
  constexpr double kEndless = std::numeric_limits<double>::infinity();
  r.snr_db = r.locked ? result.snr_db() : -kEndless;
  r.snr_penalty_db = r.locked ? reference_snr_db_ - r.snr_db : kEndless;
  r.outage = !r.locked || fails(question_, r);
  r.dgd_ps = result.dgd_sum_ps;
  r.pdl_db = result.pdl_sum_db;
  r.warning = result.first_warning;
  return r;
}

Outage find_outage(const OutageQuestion& question, std::uint64_t count, const SourceMaker& source,
                   unsigned threads) {
  const Realiser realise(question, source, threads);
  Outage outage;
  outage.reference_snr_db = realise.reference_snr_db();
  outage.realisations.resize(count);
  for_each_index(count, threads, [&](std::size_t i) { outage.realisations[i] = realise(i); });
  for (const Realisation& r : outage.realisations) {
    outage.outages += r.outage;
    outage.unlocked += !r.locked;
  }
  outage.worst = worst_of(outage.realisations, question.criterion);
  count_warnings(outage);
  judge_frames(outage, question.criterion, static_cast<double>(question.scenario.integer("signal.symbols")));
  outage.probability = clopper_pearson(outage.outages, count);
  return outage;
}

}  // namespace cohlink
