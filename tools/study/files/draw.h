// Scenario keys drawn at random: the parameters of realisations and of data sets.
#pragma once

#include <cstdint>
#include <memory>
#include <string>
#include <vector>

#include "sim/signal/scenario/scenario.h"

namespace cohlink {

struct JointDraw;

struct Draw {
  enum class Law { kUniform, kLog, kNormal, kMaxwell, kChoice };
  std::string key;
  Law law = Law::kUniform;
  double a = 0, b = 0;               // uniform and log: ends; normal: mean, deviation; Maxwell: mean
  std::vector<std::string> choices;  // choice
  bool numeric = true;               // the key holds a number
  std::string origin;                // what messages about it begin with, "--draw"; "" = nothing
  std::shared_ptr<const JointDraw> together = nullptr;  // of a normal law that others go with
};

/// Normal laws drawn together: deviations and means of `members` act on root z, z standard normals.
struct JointDraw {
  std::vector<Draw> members;
  std::vector<double> root;  // [members, members], row-major: root root' is their correlation
};

/// "KEY=a:b" and "KEY=uniform:a:b" (whole-number keys: both ends and what lies between, equally likely),
/// "KEY=log:a:b" (uniform in the logarithm), "KEY=normal:mean:deviation", "KEY=maxwell:mean" (DGD: Poole,
/// Winters and Nagel, Opt. Lett. 16, 1991), "KEY=choice:v1|v2|v3" (any key). InputError, beginning with
/// `origin`, for anything else, for ends or choices that the key does not accept, and for a normal or
/// Maxwellian law of which less than a hundredth lies in the key's legal range.
Draw parse_draw(const std::string& text, const std::string& origin = "");

/// The scenario's [draw] section and the arguments, which replace its laws key by key. InputError, beginning
/// with `origin`, for two arguments of one key.
std::vector<Draw> read_draws(const Scenario& scenario, const std::vector<std::string>& arguments,
                             const std::string& origin = "");

/// The law as parse_draw reads it: "uniform:1:2".
std::string draw_text(const Draw& draw);

/// The value of realisation `number` as a scenario spells it: its own stream of the seed. Normal and
/// Maxwellian laws are truncated to the key's legal range: drawn again until inside.
std::string drawn_text(const Draw& draw, std::uint64_t seed, std::uint64_t number);

/// The same of a numeric draw.
double drawn_value(const Draw& draw, std::uint64_t seed, std::uint64_t number);

}  // namespace cohlink
