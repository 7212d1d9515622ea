#include "tools/study/files/draw.h"

#include <algorithm>
#include <cmath>
#include <numeric>
#include <optional>
#include <set>

#include "sim/signal/random.h"
#include "sim/signal/scenario/strings.h"
#include "sim/signal/units.h"
#include "tools/study/plan/numbers.h"

namespace cohlink {
namespace {

bool whole(const ScenarioKey& key) { return key.type == KeyType::kInteger; }

/// Less of a law than this inside the key's range is a mistake rather than a truncated law.
constexpr double kLeastShare = 0.01;
/// A value of kLeastShare stays away this long with probability e^-100.
constexpr int kMostTries = 10'000;

/// Deviation of the three normals whose length is Maxwellian with this mean.
double maxwell_deviation(double mean) { return mean * std::sqrt(kPi / 8.0); }

double normal_below(double x) { return 0.5 * std::erfc(-x / std::sqrt(2.0)); }

double maxwell_below(double x) {
  return x <= 0.0 ? 0.0 : std::erf(x / std::sqrt(2.0)) - std::sqrt(2.0 / kPi) * x * std::exp(-0.5 * x * x);
}

/// Part of a normal or Maxwellian law inside the key's legal range; whole numbers are rounded into it.
double share_inside(const Draw& draw, const ScenarioKey& key) {
  const double round = whole(key) ? 0.5 : 0.0, low = key.low - round, high = key.high + round;
  const bool normal = draw.law == Draw::Law::kNormal;
  const double deviation = normal ? draw.b : maxwell_deviation(draw.a), centre = normal ? draw.a : 0.0;
  if (deviation == 0.0) return centre >= low && centre <= high ? 1.0 : 0.0;
  const auto below = [&](double x) {
    return normal ? normal_below((x - centre) / deviation) : maxwell_below(x / deviation);
  };
  return below(high) - below(low);
}

/// Reads the laws of one draw.
class DrawReader {
 public:
  DrawReader(std::string where, const ScenarioKey& key, Draw& draw)
      : where_(std::move(where)), key_(key), draw_(draw) {}

  void read(const std::string& law) {
    const auto colon = law.find(':');
    const std::string name = trim(law.substr(0, colon));
    if (name == "choice") return read_choices(colon == std::string::npos ? "" : law.substr(colon + 1));
    if (!draw_.numeric) fail("holds no number; choice:v1|v2 is its only law");
    parts_ = split(law, ':');
    if (parts_.size() == 2 && parse_number(parts_[0])) parts_.insert(parts_.begin(), "uniform");
    read_law(parts_.empty() ? "" : parts_[0]);
  }

 private:
  [[noreturn]] void fail(const std::string& why) const { throw InputError(where_, why); }

  void read_choices(const std::string& list) {
    draw_.law = Draw::Law::kChoice;
    draw_.choices = split(list, '|');
    if (draw_.choices.empty()) fail("no choice is given; write choice:v1|v2");
    for (const auto& choice : draw_.choices) Scenario().set(draw_.key, choice, where_);
  }

  void read_law(const std::string& law) {
    if (law != "uniform" && law != "log" && law != "normal" && law != "maxwell")
      fail("'" + law + "' is not one of uniform, log, normal, maxwell, choice");
    const std::size_t needed = law == "maxwell" ? 2 : 3;
    if (parts_.size() > needed) fail("too many numbers");
    draw_.a = number(1);
    if (needed == 3) draw_.b = number(2);
    if (law == "normal") {
      draw_.law = Draw::Law::kNormal;
      if (draw_.b < 0.0) fail("a deviation is at least 0");
    } else if (law == "maxwell") {
      draw_.law = Draw::Law::kMaxwell;
      if (draw_.a < 0.0) fail("a Maxwellian mean is at least 0");
    } else {
      return read_ends(law == "log");
    }
    if (share_inside(draw_, key_) < kLeastShare)
      fail("almost all of it lies outside the key's range, " + exact_decimal(key_.low) + " to " +
           exact_decimal(key_.high));
  }

  void read_ends(bool logarithmic) {
    draw_.law = logarithmic ? Draw::Law::kLog : Draw::Law::kUniform;
    if (draw_.b < draw_.a) fail("the ends are in the wrong order");
    if (logarithmic && draw_.a <= 0.0) fail("a logarithmic range is above 0");
    for (const double end : {draw_.a, draw_.b}) Scenario().set(draw_.key, exact_decimal(end), where_);
  }

  double number(std::size_t i) const {
    const auto value = i < parts_.size() ? parse_number(parts_[i]) : std::nullopt;
    if (!value) fail("a number is missing or misspelt");
    return *value;
  }

  std::string where_;
  const ScenarioKey& key_;
  Draw& draw_;
  std::vector<std::string> parts_;
};

double uniform_value(const Draw& draw, RandomStream& random, bool integers) {
  // Whole numbers: every one from a to b has the same share of [a, b + 1).
  if (integers) return std::min(draw.b, std::floor(draw.a + (draw.b - draw.a + 1.0) * random.uniform()));
  return draw.a + (draw.b - draw.a) * random.uniform();
}

}  // namespace

Draw parse_draw(const std::string& text, const std::string& origin) {
  const std::string where = as_given(origin, text);
  const auto equals = text.find('=');
  if (equals == std::string::npos)
    throw InputError(where +
                     ": expected KEY=a:b, uniform:a:b, log:a:b, normal:mean:deviation, maxwell:mean or "
                     "choice:v1|v2");
  Draw draw;
  draw.key = trim(text.substr(0, equals));
  const ScenarioKey* key = find_key(draw.key);
  if (key == nullptr) {
    const std::string near = nearest_key(draw.key);
    throw InputError(as_given(origin, draw.key),
                     "unknown key" + (near.empty() ? "" : "; did you mean " + near + "?"));
  }
  if (key->section == "run")
    throw InputError(as_given(origin, draw.key), "settings of the run are not drawn");
  draw.numeric = key->type == KeyType::kNumber || key->type == KeyType::kInteger;
  DrawReader(where, *key, draw).read(trim(text.substr(equals + 1)));
  return draw;
}

std::vector<Draw> read_draws(const Scenario& scenario, const std::vector<std::string>& arguments,
                             const std::string& origin) {
  std::vector<Draw> draws;
  const auto add = [&](Draw draw) {
    std::erase_if(draws, [&](const Draw& other) { return other.key == draw.key; });
    draws.push_back(std::move(draw));
  };
  for (const auto& [key, law, place] : scenario.draws())
    add(parse_draw(key + "=" + law, place.empty() ? "draw" : place.text() + ": draw"));
  std::set<std::string> given;
  for (const auto& text : arguments) {
    Draw draw = parse_draw(text, origin);
    if (!given.insert(draw.key).second) throw InputError(as_given(origin, draw.key), "drawn twice");
    add(std::move(draw));
  }
  for (const Draw& draw : draws)
    if (const Tie* tie = scenario.find_tie(draw.key))
      throw InputError(as_given(draw.origin, draw.key),
                       "is drawn and follows '" + tie->text + "': one of the two");
  return draws;
}

std::string draw_text(const Draw& draw) {
  const std::string a = exact_decimal(draw.a), b = exact_decimal(draw.b);
  switch (draw.law) {
    case Draw::Law::kUniform:
      return "uniform:" + a + ":" + b;
    case Draw::Law::kLog:
      return "log:" + a + ":" + b;
    case Draw::Law::kNormal:
      return "normal:" + a + ":" + b;
    case Draw::Law::kMaxwell:
      return "maxwell:" + a;
    case Draw::Law::kChoice:
      break;
  }
  return "choice:" + join(draw.choices, "|");
}

namespace {

/// One value of a numeric law, inside the key's range or not.
double untruncated(const Draw& draw, RandomStream& random, bool integers) {
  switch (draw.law) {
    case Draw::Law::kUniform:
      return uniform_value(draw, random, integers);
    case Draw::Law::kLog:
      return draw.a * std::pow(draw.b / draw.a, random.uniform());
    case Draw::Law::kNormal:
      return draw.a + draw.b * random.normal();
    default:
      break;
  }
  // Length of a vector of three equal normals; its mean is sqrt(8/pi) deviations.
  const double x = random.normal(), y = random.normal(), z = random.normal();
  return maxwell_deviation(draw.a) * std::sqrt(x * x + y * y + z * z);
}

/// The text of a value in the key's range; nothing outside.
std::optional<std::string> legal_text(const Draw& draw, double value) {
  const ScenarioKey* key = find_key(draw.key);
  if (whole(*key)) value = std::round(value);
  // The ends of a logarithmic range may be missed by a rounding error.
  if (draw.law == Draw::Law::kLog) value = std::clamp(value, key->low, key->high);
  if (value < key->low || value > key->high) return std::nullopt;
  return exact_decimal(value);
}

[[noreturn]] void nothing_found(const Draw& draw) {
  throw InputError(as_given(draw.origin, draw.key + "=" + draw_text(draw)),
                   "finds no value in the key's range");
}

/// The value of one of several that go together: the first try at which all of them lie in their ranges.
std::string joint_text(const Draw& draw, std::uint64_t seed, std::uint64_t number) {
  const std::vector<Draw>& members = draw.together->members;
  std::vector<RandomStream> streams;
  for (const Draw& member : members)
    streams.push_back(RandomStreams(seed, number).stream("draw-" + member.key));
  std::vector<double> normals(members.size());
  for (int tries = 0; tries < kMostTries; ++tries) {
    for (std::size_t i = 0; i < members.size(); ++i) normals[i] = streams[i].normal();
    std::string own;
    bool inside = true;
    for (std::size_t i = 0; inside && i < members.size(); ++i) {
      const double* const row = draw.together->root.data() + i * members.size();
      const double mixed = std::inner_product(normals.begin(), normals.end(), row, 0.0);
      const auto text = legal_text(members[i], members[i].a + members[i].b * mixed);
      inside = text.has_value();
      if (inside && members[i].key == draw.key) own = *text;
    }
    if (inside) return own;
  }
  nothing_found(draw);
}

}  // namespace

double drawn_value(const Draw& draw, std::uint64_t seed, std::uint64_t number) {
  return parse_number(drawn_text(draw, seed, number)).value_or(std::nan(""));
}

std::string drawn_text(const Draw& draw, std::uint64_t seed, std::uint64_t number) {
  if (draw.together) return joint_text(draw, seed, number);
  RandomStream random = RandomStreams(seed, number).stream("draw-" + draw.key);
  const ScenarioKey* key = find_key(draw.key);
  if (draw.law == Draw::Law::kChoice) {
    const auto count = static_cast<double>(draw.choices.size());
    const auto place = static_cast<std::size_t>(random.uniform() * count);
    return draw.choices[std::min(place, draw.choices.size() - 1)];
  }
  for (int tries = 0; tries < kMostTries; ++tries)
    if (const auto text = legal_text(draw, untruncated(draw, random, whole(*key)))) return *text;
  nothing_found(draw);
}

}  // namespace cohlink
