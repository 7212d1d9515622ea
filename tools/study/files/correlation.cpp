#include "tools/study/files/correlation.h"

#include <Eigen/Cholesky>
#include <algorithm>
#include <cmath>
#include <memory>
#include <set>

#include "sim/signal/scenario/errors.h"
#include "sim/signal/scenario/strings.h"
#include "tools/study/plan/numbers.h"

namespace cohlink {
namespace {

/// Lower triangular root L of a matrix of coefficients, L L' = C; nothing where C has a negative eigenvalue.
std::optional<Eigen::MatrixXd> root_of(const Eigen::MatrixXd& coefficients) {
  constexpr double kRounding = 1e-9;
  const Eigen::LDLT<Eigen::MatrixXd> factors(coefficients);
  if (factors.info() != Eigen::Success || factors.vectorD().minCoeff() < -kRounding) return std::nullopt;
  const Eigen::MatrixXd lower = factors.matrixL();
  const Eigen::VectorXd scale = factors.vectorD().cwiseMax(0.0).cwiseSqrt();
  const Eigen::MatrixXd root = factors.transpositionsP().transpose() * (lower * scale.asDiagonal());
  // A pivot of zero under which something is left: no variables correlate like that.
  if ((root * root.transpose() - coefficients).cwiseAbs().maxCoeff() > kRounding) return std::nullopt;
  return root;
}

Draw& normal_draw(std::vector<Draw>& draws, const std::string& key, const std::string& where) {
  const auto found =
      std::find_if(draws.begin(), draws.end(), [&](const Draw& draw) { return draw.key == key; });
  if (found == draws.end()) throw InputError(where, key + " is not drawn");
  if (found->law != Draw::Law::kNormal)
    throw InputError(where, key + " has the law " + draw_text(*found) + "; only normal laws correlate");
  return *found;
}

}  // namespace

NormalCorrelation parse_correlation(const std::string& text, const std::string& origin) {
  const std::string where = as_given(origin, text);
  const auto equals = text.find('=');
  const auto keys = split(text.substr(0, equals), ',');
  const auto value = equals == std::string::npos ? std::nullopt : parse_number(trim(text.substr(equals + 1)));
  if (keys.size() != 2 || !value) throw InputError(where, "expected KEY,KEY=COEFFICIENT");
  if (!(std::abs(*value) <= 1.0)) throw InputError(where, "a correlation coefficient lies between -1 and 1");
  if (keys[0] == keys[1]) throw InputError(where, "names the same key twice");
  return {keys[0], keys[1], *value};
}

std::string correlation_text(const NormalCorrelation& c) {
  return c.a + "," + c.b + "=" + exact_decimal(c.coefficient);
}

void correlate(std::vector<Draw>& draws, const std::vector<NormalCorrelation>& correlations,
               const std::string& origin) {
  std::set<std::string> keys;  // sorted: the order in which the draws were given does not matter
  std::set<std::set<std::string>> pairs;
  for (const NormalCorrelation& c : correlations) {
    const std::string where = as_given(origin, correlation_text(c));
    for (const auto& key : {c.a, c.b}) keys.insert(normal_draw(draws, key, where).key);
    if (!pairs.insert({c.a, c.b}).second) throw InputError(where, "these two are given twice");
  }
  if (keys.empty()) return;
  auto together = std::make_shared<JointDraw>();
  for (const auto& key : keys) together->members.push_back(normal_draw(draws, key, ""));
  const auto place = [&](const std::string& key) { return std::distance(keys.begin(), keys.find(key)); };
  const auto count = static_cast<Eigen::Index>(keys.size());
  Eigen::MatrixXd coefficients = Eigen::MatrixXd::Identity(count, count);
  for (const NormalCorrelation& c : correlations)
    coefficients(place(c.a), place(c.b)) = coefficients(place(c.b), place(c.a)) = c.coefficient;
  const auto root = root_of(coefficients);
  if (!root)
    throw InputError(as_given(origin, correlation_text(correlations.back())),
                     "no variables can have these coefficients together (their matrix has a negative "
                     "eigenvalue)");
  for (Eigen::Index row = 0; row < count; ++row)
    for (Eigen::Index column = 0; column < count; ++column) together->root.push_back((*root)(row, column));
  for (Draw& draw : draws)
    if (keys.count(draw.key) > 0) draw.together = together;
}

}  // namespace cohlink
