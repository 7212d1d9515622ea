#include "tools/study/search/outage.h"

#include <algorithm>
#include <cmath>
#include <limits>

#include <cctype>
#include <map>

#include "tools/study/plan/numbers.h"
#include "tools/study/run/executor.h"

namespace cohlink {
namespace {

constexpr std::uint64_t kReferenceFrames = 4;
/// Errors expected at the bound that let a frame be judged: they scatter by a third.
constexpr double kFewestErrors = 10.0;

bool fails(const Criterion& criterion, const Realisation& r) {
  switch (criterion.kind) {
    case Criterion::Kind::kBer:
      return r.count.ber() > criterion.bound;
    case Criterion::Kind::kSnr:
      return r.snr_db < criterion.bound;
    default:
      return r.snr_penalty_db > criterion.bound;
  }
}

/// What the criterion ranks realisations by, the larger the worse.
double badness(const Criterion& criterion, const Realisation& r) {
  if (!r.locked) return std::numeric_limits<double>::infinity();
  return criterion.kind == Criterion::Kind::kBer ? r.count.ber() : -r.snr_db;
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
  for (const Draw& draw : draws) result.set(draw.key, drawn_text(draw, seed, number), "--draw");
  return result;
}

double Outage::quantile(std::vector<double> values, double part) {
  std::erase_if(values, [](double value) { return std::isnan(value); });
  if (values.empty()) return std::nan("");
  std::sort(values.begin(), values.end());
  const double place = part * static_cast<double>(values.size() - 1);
  const auto i = static_cast<std::size_t>(place);
  const double above = values[std::min(i + 1, values.size() - 1)];
  if (!std::isfinite(values[i]) || !std::isfinite(above))
    return place - static_cast<double>(i) < 0.5 ? values[i] : above;
  return values[i] + (place - static_cast<double>(i)) * (above - values[i]);
}

Outage find_outage(const Scenario& scenario, std::uint64_t count, const std::vector<Draw>& draws,
                   const Criterion& criterion, const SourceMaker& source, unsigned threads) {
  if (criterion.kind == Criterion::Kind::kPenalty)
    throw InputError(
        "penalty_db is one of required OSNR, which needs more than the one frame of a realisation; write "
        "snr_penalty_db=P");
  if (criterion.kind == Criterion::Kind::kBer) EquivalentSnr{scenario};  // symbols with bits
  Outage outage;
  outage.reference_snr_db = reference_snr_db(scenario, source, threads);
  if (criterion.kind == Criterion::Kind::kSnrPenalty && std::isnan(outage.reference_snr_db))
    throw RunError(
        "the receiver loses lock on the reference (no PMD, drawn keys as the scenario has them): no SNR to "
        "hold a "
        "penalty against");
  outage.realisations.resize(count);
  // Without draws only the frame differs, and one link serves all.
  FrameSource common;
  if (draws.empty()) common = source(realisation_scenario(scenario, draws, 0));
  const auto seed = static_cast<std::uint64_t>(scenario.integer("run.seed"));
  for_each_index(count, threads, [&](std::size_t i) {
    Realisation& r = outage.realisations[i];
    r.number = i;
    for (const Draw& draw : draws) r.values.push_back(drawn_value(draw, seed, i));
    const FrameResult result = common ? common(i) : source(realisation_scenario(scenario, draws, i))(i);
    r.count = result.count;
    // Its guessed bits and SNR (search.h) would pass low bounds and rank above locked frames.
    r.locked = result.unlocked == 0;
    constexpr double kEndless = std::numeric_limits<double>::infinity();
    r.snr_db = r.locked ? result.snr_db() : -kEndless;
    r.snr_penalty_db = r.locked ? outage.reference_snr_db - r.snr_db : kEndless;
    r.outage = !r.locked || fails(criterion, r);
    r.dgd_ps = result.dgd_sum_ps;
    r.warning = result.first_warning;
  });
  for (const Realisation& r : outage.realisations) {
    outage.outages += r.outage;
    outage.unlocked += !r.locked;
  }
  outage.worst = worst_of(outage.realisations, criterion);
  count_warnings(outage);
  judge_frames(outage, criterion, static_cast<double>(scenario.integer("signal.symbols")));
  outage.probability = clopper_pearson(outage.outages, count);
  return outage;
}

}  // namespace cohlink
