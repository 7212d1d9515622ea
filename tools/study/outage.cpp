#include "tools/study/outage.h"

#include <algorithm>
#include <cmath>

#include "sim/signal/random.h"
#include "sim/signal/strings.h"
#include "sim/signal/units.h"
#include "tools/study/executor.h"
#include "tools/study/numbers.h"

namespace cohlink {
namespace {

constexpr std::uint64_t kReferenceFrames = 4;

bool fails(const Criterion& criterion, const Realisation& r) {
  switch (criterion.kind) {
    case Criterion::Kind::kBer:
      return r.count.ber() > criterion.bound;
    case Criterion::Kind::kSnr:
      return r.snr_db < criterion.bound;
    case Criterion::Kind::kPenalty:
      break;
  }
  return r.penalty_db > criterion.bound;
}

double reference_snr_db(const Scenario& scenario, const SourceMaker& source, unsigned threads) {
  Scenario calm = scenario;
  calm.set("fibre.pmd_ps_per_sqrt_km", "0", "outage reference");
  Meter meter(source(calm), threads);
  meter.run(kReferenceFrames);
  return meter.total().snr_db();
}

}  // namespace

Draw parse_draw(const std::string& text) {
  const std::string where = "--draw " + text;
  const auto equals = text.find('=');
  if (equals == std::string::npos)
    throw InputError(where + ": expected KEY=uniform:a:b, normal:mean:deviation or maxwell:mean");
  Draw draw;
  draw.key = trim(text.substr(0, equals));
  const ScenarioKey* key = find_key(draw.key);
  if (key == nullptr) {
    const std::string near = nearest_key(draw.key);
    throw InputError("--draw " + draw.key + ": unknown key" +
                     (near.empty() ? "" : "; did you mean " + near + "?"));
  }
  if (key->type != KeyType::kNumber) throw InputError("--draw " + draw.key + ": holds no number");
  const auto parts = split(text.substr(equals + 1), ':');
  const auto number = [&](std::size_t i) {
    const auto value = i < parts.size() ? parse_number(parts[i]) : std::nullopt;
    if (!value) throw InputError(where + ": a number is missing or misspelt");
    return *value;
  };
  const std::string law = parts.empty() ? "" : parts[0];
  if (law != "uniform" && law != "normal" && law != "maxwell")
    throw InputError(where + ": '" + law + "' is not one of uniform, normal, maxwell");
  const std::size_t needed = law == "maxwell" ? 2 : 3;
  if (parts.size() > needed) throw InputError(where + ": too many numbers");
  draw.law = law == "uniform"  ? Draw::Law::kUniform
             : law == "normal" ? Draw::Law::kNormal
                               : Draw::Law::kMaxwell;
  draw.a = number(1);
  if (needed == 3) draw.b = number(2);
  if (draw.law == Draw::Law::kUniform && draw.b < draw.a)
    throw InputError(where + ": the ends are in the wrong order");
  if (draw.law == Draw::Law::kNormal && draw.b < 0.0) throw InputError(where + ": a deviation is at least 0");
  if (draw.law == Draw::Law::kMaxwell && draw.a < 0.0)
    throw InputError(where + ": a Maxwellian mean is at least 0");
  return draw;
}

double drawn_value(const Draw& draw, std::uint64_t seed, std::uint64_t number) {
  RandomStream random = RandomStreams(seed, number).stream("draw-" + draw.key);
  double value = 0.0;
  switch (draw.law) {
    case Draw::Law::kUniform:
      value = draw.a + (draw.b - draw.a) * random.uniform();
      break;
    case Draw::Law::kNormal:
      value = draw.a + draw.b * random.normal();
      break;
    case Draw::Law::kMaxwell: {
      // Length of a vector of three equal normals; its mean is sqrt(8/pi) deviations.
      const double x = random.normal(), y = random.normal(), z = random.normal();
      value = draw.a * std::sqrt(kPi / 8.0) * std::sqrt(x * x + y * y + z * z);
    }
  }
  const ScenarioKey* key = find_key(draw.key);
  return std::clamp(value, key->low, key->high);
}

Scenario realisation_scenario(const Scenario& scenario, const std::vector<Draw>& draws,
                              std::uint64_t number) {
  Scenario result = scenario;
  result.set("fibre.birefringence", "redrawn", "outage");
  const auto seed = static_cast<std::uint64_t>(scenario.integer("run.seed"));
  for (const Draw& draw : draws)
    result.set(draw.key, exact_decimal(drawn_value(draw, seed, number)), "--draw");
  return result;
}

double Outage::quantile(std::vector<double> values, double part) {
  if (values.empty()) return std::nan("");
  std::sort(values.begin(), values.end());
  const double place = part * static_cast<double>(values.size() - 1);
  const auto i = static_cast<std::size_t>(place);
  const double above = values[std::min(i + 1, values.size() - 1)];
  return values[i] + (place - static_cast<double>(i)) * (above - values[i]);
}

Outage find_outage(const Scenario& scenario, std::uint64_t count, const std::vector<Draw>& draws,
                   const Criterion& criterion, const SourceMaker& source, unsigned threads) {
  Outage outage;
  outage.reference_snr_db = reference_snr_db(scenario, source, threads);
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
    r.snr_db = result.snr_db();
    r.penalty_db = outage.reference_snr_db - r.snr_db;
    r.outage = fails(criterion, r);
    warned[i] = result.warned;
  });
  for (std::size_t i = 0; i < outage.realisations.size(); ++i) {
    outage.outages += outage.realisations[i].outage;
    outage.warned += warned[i];
    if (outage.realisations[i].snr_db < outage.realisations[outage.worst].snr_db) outage.worst = i;
  }
  outage.probability = clopper_pearson(outage.outages, count);
  return outage;
}

}  // namespace cohlink
