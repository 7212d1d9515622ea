// The OSNR at which a code just leaves a BER: a waterfall, which no straight line goes through
// (required_osnr.h).
#include <algorithm>
#include <memory>
#include <mutex>

#include "sim/signal/scenario/strings.h"
#include "sim/signal/units.h"
#include "tools/study/plan/fec.h"
#include "tools/study/plan/numbers.h"
#include "tools/study/search/limit.h"
#include "tools/study/search/required_osnr.h"

namespace cohlink {
namespace {

// Searched around what ideal reception needs for the BER that the code is known to mend.
constexpr double kBelowDb = 1.5, kAboveDb = 8.0;

double expected_osnr_db(const Scenario& scenario) {
  const std::string name = scenario.text("fec.code");
  for (const FecCode& code : fec_codes())
    if (code.name == name)
      return EquivalentSnr(scenario).db(code.simulated_ber) +
             to_db(scenario.number("signal.symbol_rate_gbd") * 1e9 / kOsnrBandwidthHz);
  scenario.reject("fec.code", "names no code to decode");
}

double loaded_db(const Scenario& scenario, double total_db) {
  return at_total_osnr(scenario, total_db).number("channel.osnr_db");
}

double total_db(const Scenario& scenario, double loaded_db) {
  const auto line = line_osnr(scenario);
  return -to_db(from_db(-loaded_db) + (line ? 1.0 / *line : 0.0));
}

/// What was decoded on the way, of all values.
struct Decoded {
  std::mutex mutex;
  fec::PostFec sum;
};

SourceMaker counted(const SourceMaker& source, const std::shared_ptr<Decoded>& decoded) {
  return [=](const Scenario& scenario) -> FrameSource {
    const FrameSource frames = source(scenario);
    return [=](std::uint64_t number) {
      FrameResult frame = frames(number);
      const std::lock_guard lock(decoded->mutex);
      decoded->sum += frame.post_fec;
      return frame;
    };
  };
}

LimitRule limit_rule(const Scenario& scenario, const RequiredOsnrRule& rule, double highest_db) {
  const double expected = expected_osnr_db(scenario);
  LimitRule limit;
  limit.key = "channel.osnr_db";
  limit.from = loaded_db(scenario, std::min(expected + kAboveDb, highest_db));
  limit.to = loaded_db(scenario, std::min(expected, highest_db) - kBelowDb);
  limit.criterion = {Criterion::Kind::kPostFec, rule.threshold};
  limit.resolution = std::min(0.5, 2.0 * rule.half_width_db / std::abs(limit.from - limit.to));
  limit.frames = std::max<std::uint64_t>(1, rule.most_frames / 4);
  return limit;
}

std::string failure_of(const Limit& limit, const RequiredOsnrRule& rule) {
  const std::string at_most = "a BER after decoding of " + readable(rule.threshold);
  if (limit.crossing == Crossing::kFailsThroughout) return at_most + " is not met at any OSNR searched";
  if (limit.crossing == Crossing::kHoldsThroughout) return at_most + " is met at every OSNR searched";
  return "too few blocks to tell of " + at_most + "; more or longer frames are needed";
}

}  // namespace

RequiredOsnr find_decoded_osnr(const Scenario& scenario, const RequiredOsnrRule& rule,
                               const SourceMaker& source, unsigned threads) {
  const double highest_db = highest_total_osnr_db(scenario);
  const LimitRule asked = limit_rule(scenario, rule, highest_db);
  const auto decoded = std::make_shared<Decoded>();
  const Limit limit = find_limit(scenario, asked, counted(source, decoded), threads);
  RequiredOsnr found;
  found.frames = limit.frames;
  found.errors = decoded->sum.errors;
  found.bits = decoded->sum.bits;
  found.found = limit.crossed();
  if (found.found) {
    found.osnr_db = total_db(scenario, limit.value);
    found.low_db = total_db(scenario, limit.fails);
    found.high_db = total_db(scenario, limit.holds);
    return found;
  }
  found.failure = failure_of(limit, rule);
  found.out_of_reach =
      limit.crossing == Crossing::kFailsThroughout && expected_osnr_db(scenario) + kAboveDb >= highest_db;
  return found;
}

}  // namespace cohlink
