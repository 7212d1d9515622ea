// What must hold, read and said (limit.h).
#include <algorithm>
#include <cmath>

#include "sim/signal/scenario/strings.h"
#include "tools/study/plan/fec.h"
#include "tools/study/plan/numbers.h"
#include "tools/study/search/limit.h"

namespace cohlink {
namespace {

using Kind = Criterion::Kind;

constexpr double kLeastNgmi = 0.05, kMostNgmi = 0.9999;

struct Name {
  const char* name;
  Kind kind;
};
constexpr Name kNames[] = {{"ber", Kind::kBer},
                           {"q_db", Kind::kBer},
                           {"post_fec_ber", Kind::kPostFec},
                           {"ngmi", Kind::kNgmi},
                           {"achievable_rate_gbps", Kind::kRate},
                           {"snr_db", Kind::kSnr},
                           {"penalty_db", Kind::kPenalty},
                           {"snr_penalty_db", Kind::kSnrPenalty}};

void check_ber(double ber, const std::string& where) {
  if (ber < 1e-12 || ber > 0.35) throw InputError(where, "a BER between 1e-12 and 0.35 is needed");
}

/// What gives the scenario's verdict.
Criterion of_verdict(const Scenario& scenario, bool by_ber, const std::string& where) {
  const auto threshold = verdict_threshold(scenario);
  if (!threshold) throw InputError(where, "the scenario has no FEC threshold; write ber=2e-2");
  const bool ber = threshold->quality == Quality::kBer;
  if (by_ber && !ber)
    throw InputError(where, "the scenario's verdict is by fec.threshold_ngmi; write fec, or ber=2e-2");
  return {ber ? Kind::kBer : Kind::kNgmi, threshold->value};
}

void check_bound(const Criterion& asked, const Scenario& scenario, const std::string& where) {
  const double bound = asked.bound;
  switch (asked.kind) {
    case Kind::kBer:
      return check_ber(bound, where);
    case Kind::kPostFec:
      if (!scenario.boolean("fec.decode")) throw InputError(where, "needs fec.decode = true");
      return check_ber(bound, where);
    case Kind::kNgmi:
      if (bound < kLeastNgmi || bound > kMostNgmi)
        throw InputError(where, "an NGMI between 0.05 and 0.9999 is needed");
      return;
    case Kind::kRate: {
      const double least = achievable_rate(scenario, kLeastNgmi) / 1e9,
                   most = achievable_rate(scenario, kMostNgmi) / 1e9;
      if (!(bound >= least && bound <= most))
        throw InputError(where, "the scenario's symbols carry " + readable(most, 6) +
                                    " Gb/s at most; a rate from " + readable(least, 6) +
                                    " Gb/s to that is needed");
      return;
    }
    case Kind::kPenalty:
    case Kind::kSnrPenalty:
      if (bound <= 0.0) throw InputError(where, "a penalty is above 0 dB");
      return;
    case Kind::kSnr:
      return;
  }
}

}  // namespace

std::string Criterion::text() const {
  switch (kind) {
    case Kind::kBer:
      return Threshold{Quality::kBer, bound}.text();
    case Kind::kNgmi:
      return Threshold{Quality::kNgmi, bound}.text();
    case Kind::kPostFec:
      return Threshold{Quality::kPostFecBer, bound}.text();
    case Kind::kRate:
      return "achievable rate at least " + readable(bound) + " Gb/s";
    case Kind::kSnr:
      return "SNR at least " + readable(bound) + " dB";
    case Kind::kSnrPenalty:
      return "SNR penalty at most " + readable(bound) + " dB";
    case Kind::kPenalty:
      break;
  }
  return "penalty in required OSNR at most " + readable(bound) + " dB";
}

std::optional<Threshold> Criterion::threshold(const Scenario& scenario) const {
  switch (kind) {
    case Kind::kBer:
      return Threshold{Quality::kBer, bound};
    case Kind::kNgmi:
      return Threshold{Quality::kNgmi, bound};
    case Kind::kPostFec:
      return Threshold{Quality::kPostFecBer, bound};
    case Kind::kRate:
      return Threshold{Quality::kNgmi, ngmi_of_rate(scenario, 1e9 * bound)};
    default:
      return std::nullopt;
  }
}

Criterion parse_criterion(const std::string& text, const Scenario& scenario, const std::string& origin) {
  const auto equals = text.find('=');
  const std::string name = trim(text.substr(0, equals));
  const std::string where = as_given(origin, text);
  if (equals == std::string::npos && (name == "fec" || name == "ber"))
    return of_verdict(scenario, name == "ber", where);
  const auto known =
      std::find_if(std::begin(kNames), std::end(kNames), [&](const Name& row) { return name == row.name; });
  if (known == std::end(kNames)) {
    std::string all = "fec, ber";
    for (const Name& row : kNames) all += std::string(", ") + row.name + "=...";
    throw InputError(where, "expected one of " + all);
  }
  const auto bound = equals == std::string::npos ? std::nullopt : parse_number(trim(text.substr(equals + 1)));
  if (!bound) throw InputError(where, "a number must follow " + name + "=");
  Criterion asked{known->kind, *bound, name == "q_db"};
  if (asked.given_as_q) asked.bound = 0.5 * std::erfc(std::pow(10.0, *bound / 20.0) / std::sqrt(2.0));
  check_bound(asked, scenario, where);
  return asked;
}

}  // namespace cohlink
