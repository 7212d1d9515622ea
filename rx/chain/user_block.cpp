#include "rx/chain/user_block.h"

#include <algorithm>
#include <cmath>
#include <string>

#include "sim/signal/scenario/errors.h"

namespace cohlink {
namespace {

bool is_finite(const ComplexRow<float>& row) {
  return std::all_of(row.begin(), row.end(),
                     [](const auto& y) { return std::isfinite(y.real()) && std::isfinite(y.imag()); });
}

double rate_behind(const BlockRow& row, double sample_rate, double symbol_rate) {
  if (row.leaves == Rate::kAdc) return sample_rate;
  return row.leaves == Rate::kTwo ? kSamplesPerSymbol * symbol_rate : symbol_rate;
}

}  // namespace

void check_signal(const std::string& who, const Field<float>& out, double wanted) {
  if (out.size() == 0 || out.x.size() != out.y.size())
    throw InputError(who + "rows X and Y of " + std::to_string(out.x.size()) + " and " +
                     std::to_string(out.y.size()) + " samples; they must be equally long and not empty");
  if (!is_finite(out.x) || !is_finite(out.y)) throw InputError(who + "samples that are not finite");
  if (std::abs(out.sample_rate - wanted) > 1e-9 * wanted)
    throw InputError(who + std::to_string(out.sample_rate) + " samples a second; the blocks after it need " +
                     std::to_string(wanted));
}

Block user_block(const BlockRow& row, const BlockFunction& function, double edge) {
  Block block;
  block.edge = edge_of(edge);
  block.apply = [&row, function](Carried& c) {
    const double rate = rate_behind(row, c.signal.sample_rate, c.symbol_rate);
    Field<float> out =
        function(c.signal, {c.symbol_rate, c.samples_per_symbol(), rate, c.first(), c.last(), c.truth});
    check_signal(std::string("the function in the place of block '") + row.title + "' gave ", out, rate);
    c.signal = std::move(out);
  };
  return block;
}

}  // namespace cohlink
