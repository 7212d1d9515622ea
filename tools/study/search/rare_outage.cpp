#include "tools/study/search/rare_outage.h"

#include <algorithm>
#include <boost/math/distributions/chi_squared.hpp>
#include <cmath>
#include <numeric>

#include "sim/fibre/pmd.h"
#include "sim/optical_path.h"
#include "sim/signal/units.h"
#include "tools/study/plan/numbers.h"
#include "tools/study/run/executor.h"

namespace cohlink {
namespace {

constexpr std::size_t kHardest = 16;  // realisations of the first stratum
constexpr double kPdlScaleDb = 5.0;

// Singular values squared of J are t +- sqrt(t^2 - |det J|^2), t its mean transmission.
double pdl_db_of(const JonesMatrix& j) {
  const double t = mean_transmission(j), spread = std::sqrt(std::max(0.0, t * t - std::norm(determinant(j))));
  return to_db((t + spread) / (t - spread));
}

// Sections and PDL alone matter here: as few steps as will do.
LinkSetup linear_setup(const Scenario& scenario) {
  LinkSetup setup = link_setup(scenario);
  setup.steps.law = StepLaw::kConstant;
  setup.steps.steps_per_span = 1;
  setup.steps.cap_factor = 1e12;
  return setup;
}

Severity severity_of(const LinkSetup& setup, std::uint64_t frame) {
  const PropagationPlan path = plan_optical_path(setup, RandomStreams(setup.seed, frame, 0));
  const double tuned = setup.line.comb.tested().frequency;
  Severity severity;
  const double dgd = pmd_state(path, tuned).dgd;
  severity.dgd_ps = dgd * 1e12;
  severity.pdl_db = pdl_db_of(jones_matrix(path, tuned));
  severity.score = std::pow(dgd * setup.transmitter.pulse.symbol_rate, 2) + severity.pdl_db / kPdlScaleDb;
  return severity;
}

struct Sample {
  Stratum stratum;
  std::vector<std::size_t> chosen;  // realisations to simulate
};

// Cuts the realisations, the hardest first, and chooses evenly from each stratum: any choice is a random one
// of fibres that have nothing but their number.
std::vector<Sample> strata_of(const std::vector<Severity>& screened, std::uint64_t frames) {
  std::vector<std::size_t> order(screened.size());
  std::iota(order.begin(), order.end(), std::size_t{0});
  std::stable_sort(order.begin(), order.end(),
                   [&](std::size_t a, std::size_t b) { return screened[a].score > screened[b].score; });
  std::vector<std::size_t> ends;
  for (std::size_t end = kHardest, size = kHardest; end < order.size(); end += size *= 2) ends.push_back(end);
  if (ends.empty() || order.size() - ends.back() >= kHardest)
    ends.push_back(order.size());
  else
    ends.back() = order.size();
  std::vector<Sample> samples;
  std::size_t begin = 0, left = frames;
  for (std::size_t h = 0; h < ends.size(); begin = ends[h++]) {
    const std::size_t size = ends[h] - begin;
    const std::size_t count = std::min(size, std::max<std::size_t>(1, left / (ends.size() - h)));
    left -= std::min(left, count);
    Sample sample;
    sample.stratum.screened = size, sample.stratum.simulated = count;
    sample.stratum.hardest = screened[order[begin]], sample.stratum.mildest = screened[order[ends[h] - 1]];
    for (std::size_t i = 0; i < count; ++i) sample.chosen.push_back(order[begin + i * size / count]);
    samples.push_back(std::move(sample));
  }
  return samples;
}

// Of a sum of Poisson counts with weights: sum and variance, and the weight of an event more.
Interval weighted_interval(double sum, double variance, double most, double confidence) {
  const auto quantile_of = [](double mean, double spread, double part) {
    return spread / (2.0 * mean) * quantile(boost::math::chi_squared(2.0 * mean * mean / spread), part);
  };
  const double tail = 0.5 * (1.0 - confidence), above = sum + most, spread = variance + most * most;
  return {sum > 0.0 ? quantile_of(sum, variance, tail) : 0.0,
          std::min(1.0, quantile_of(above, spread, 1.0 - tail))};
}

void conclude(RareOutage& found, double all, double confidence) {
  double variance = 0.0, most = 0.0;
  std::size_t mildest = 0;
  for (std::size_t h = 0; h < found.strata.size(); ++h) {
    const Stratum& s = found.strata[h];
    const double weight = static_cast<double>(s.screened) / all / static_cast<double>(s.simulated);
    found.probability += weight * static_cast<double>(s.outages);
    variance += weight * weight * static_cast<double>(s.outages);
    if (s.outages > 0) mildest = h;
  }
  const std::size_t last = std::min(mildest + 1, found.strata.size() - 1);
  for (std::size_t h = 0; h <= last; ++h) {
    const Stratum& s = found.strata[h];
    most = std::max(most, static_cast<double>(s.screened) / all / static_cast<double>(s.simulated));
  }
  found.interval = weighted_interval(found.probability, variance, most, confidence);
  std::uint64_t clear = 0;
  for (std::size_t h = last + 1; h < found.strata.size(); ++h) clear += found.strata[h].simulated;
  if (last + 1 < found.strata.size())
    found.remark = "of realisations below " + readable(found.strata[last].mildest.dgd_ps, 3) +
                   " ps of DGD and " + readable(found.strata[last].mildest.pdl_db, 3) +
                   " dB of PDL none of " + grouped(clear) + " simulated failed; all are taken to hold";
}

}  // namespace

std::vector<Severity> screen(const Scenario& scenario, const std::vector<Draw>& draws, std::uint64_t count,
                             unsigned threads) {
  const LinkSetup common = linear_setup(realisation_scenario(scenario, {}, 0));
  std::vector<Severity> all(count);
  constexpr std::uint64_t kBatch = 256;
  for_each_index((count + kBatch - 1) / kBatch, threads, [&](std::size_t batch) {
    for (std::uint64_t i = batch * kBatch; i < std::min(count, (batch + 1) * kBatch); ++i)
      all[i] = draws.empty() ? severity_of(common, i)
                             : severity_of(linear_setup(realisation_scenario(scenario, draws, i)), i);
  });
  return all;
}

RareOutage find_rare_outage(const OutageQuestion& question, const std::vector<Severity>& screened,
                            const RareOutageRule& rule, const SourceMaker& source, unsigned threads) {
  const Realiser realise(question, source, threads);
  std::vector<Sample> samples = strata_of(screened, rule.frames);
  std::vector<std::pair<std::size_t, std::uint64_t>> work;  // stratum, realisation
  for (std::size_t h = 0; h < samples.size(); ++h)
    for (const std::size_t number : samples[h].chosen) work.emplace_back(h, number);
  std::vector<char> failed(work.size());
  for_each_index(work.size(), threads, [&](std::size_t i) { failed[i] = realise(work[i].second).outage; });
  RareOutage found;
  found.reference_snr_db = realise.reference_snr_db();
  found.frames = work.size();
  for (std::size_t i = 0; i < work.size(); ++i)
    if (failed[i] != 0) ++samples[work[i].first].stratum.outages;
  for (const Sample& sample : samples) found.strata.push_back(sample.stratum);
  conclude(found, static_cast<double>(screened.size()), rule.confidence);
  return found;
}

}  // namespace cohlink
