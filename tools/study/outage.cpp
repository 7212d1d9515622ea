#include "tools/study/outage.h"

#include <algorithm>
#include <cmath>
#include <limits>

#include "tools/study/executor.h"

namespace cohlink {
namespace {

constexpr std::uint64_t kReferenceFrames = 4;

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
  std::vector<std::uint64_t> warned(count);
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
    warned[i] = result.warned;
  });
  for (std::size_t i = 0; i < outage.realisations.size(); ++i) {
    outage.outages += outage.realisations[i].outage;
    outage.unlocked += !outage.realisations[i].locked;
    outage.warned += warned[i];
    if (outage.realisations[i].snr_db < outage.realisations[outage.worst].snr_db) outage.worst = i;
  }
  outage.probability = clopper_pearson(outage.outages, count);
  return outage;
}

}  // namespace cohlink
