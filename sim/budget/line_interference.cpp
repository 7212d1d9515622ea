#include "sim/budget/line_interference.h"

#include <algorithm>
#include <boost/math/quadrature/gauss.hpp>
#include <cmath>

#include "sim/budget/gn_closed_form.h"
#include "sim/signal/units.h"

namespace cohlink {
namespace {

constexpr std::size_t kPieces = 4;  // of a fibre, each with as much of the light lost

/// Ends of the pieces [m].
std::vector<double> piece_ends(const Span& span) {
  std::vector<double> ends;
  const double lost = -std::expm1(-span.loss * span.length);
  for (std::size_t i = 1; i < kPieces; ++i) {
    const double part = static_cast<double>(i) / static_cast<double>(kPieces);
    ends.push_back(lost < 1e-6 ? part * span.length : -std::log1p(-part * lost) / span.loss);
  }
  ends.push_back(span.length);
  return ends;
}

/// A piece of fibre from `from` to `to` whose power decays as its ends say and has the integral of
/// exp(log_power(z)).
template <class LogPower>
GnSection piece_of(const LogPower& log_power, double from, double to) {
  GnSection piece;
  piece.length = to - from;
  piece.loss = (log_power(from) - log_power(to)) / piece.length;
  const double start = log_power(from);
  const auto true_power = [&](double z) { return std::exp(log_power(z)); };
  const auto straight = [&](double z) { return std::exp(start - piece.loss * (z - from)); };
  using Rule = boost::math::quadrature::gauss<double, 7>;
  piece.relative_power =
      std::exp(start) * Rule::integrate(true_power, from, to) / Rule::integrate(straight, from, to);
  return piece;
}

/// Entries of pieces made entries of spans: each span's last.
template <class Value>
std::vector<Value> of_spans(const std::vector<Value>& of_pieces) {
  std::vector<Value> spans;
  for (std::size_t i = kPieces - 1; i < of_pieces.size(); i += kPieces) spans.push_back(of_pieces[i]);
  return spans;
}

/// The neighbours in runs along the grid, none across the channel under test; indices into the comb.
std::vector<std::vector<std::size_t>> groups_of(const Comb& comb) {
  constexpr std::size_t kMostASide = 4;
  std::vector<std::vector<std::size_t>> groups;
  const auto cut = [&groups](std::size_t first, std::size_t last) {
    const std::size_t count = last - first, wanted = count < kMostASide ? count : kMostASide;
    for (std::size_t g = 0; g < wanted; ++g) {
      groups.emplace_back();
      for (std::size_t k = first + g * count / wanted; k < first + (g + 1) * count / wanted; ++k)
        groups.back().push_back(k);
    }
  };
  cut(0, comb.under_test);
  cut(comb.under_test + 1, comb.channels.size());
  return groups;
}

/// What the profile of a group changes in the interference with it.
void correct(std::vector<Interference>& all, const std::vector<Interference>& theirs,
             const std::vector<Interference>& ours) {
  for (std::size_t k = 0; k < all.size(); ++k) {
    const double more = theirs[k].neighbours() - ours[k].neighbours();
    all[k].integral_matched += more;
    all[k].integral_centre += more;
    all[k].cross_correction += theirs[k].cross_correction - ours[k].cross_correction;
  }
}

/// The channel under test and those of one group.
GnLight light_with(const LinkSetup& setup, const std::vector<std::size_t>& group) {
  LinkSetup part = setup;
  Comb& comb = part.line.comb;
  const std::vector<Channel> all = comb.channels;
  const Channel tested = comb.tested();
  comb.channels = {tested};
  for (const std::size_t k : group) comb.channels.push_back(all[k]);
  comb.under_test = 0;
  return gn_light(part);
}

std::vector<Interference> wide_interference(const LinkSetup& setup, const CombWalk& walk,
                                            const std::vector<SpanLevel>& levels, InterferenceMemo& memo) {
  const Line& line = setup.line;
  const auto profile = [&](std::size_t channel) {
    GnLine pieces = channel_profile(line, walk, channel);
    for (std::size_t i = 0; i < pieces.size(); ++i)
      pieces[i].relative_power *=
          levels[i / kPieces].input_power / walk.sections[i / kPieces].start[line.comb.under_test];
    return pieces;
  };
  const GnLine own = profile(line.comb.under_test);
  std::vector<Interference> all = of_spans(memo.after_each_span(gn_light(setup), own));
  for (const auto& group : groups_of(line.comb)) {
    const GnLight light = light_with(setup, group);
    const GnLine theirs = profile(group[group.size() / 2]);
    correct(all, of_spans(memo.after_each_span(light, theirs)), of_spans(memo.after_each_span(light, own)));
  }
  const GnLine whole = gn_line(setup, levels);
  for (std::size_t k = 0; k < all.size(); ++k) {
    const GnLine part(whole.begin(), whole.begin() + static_cast<std::ptrdiff_t>(k + 1));
    all[k].closed_incoherent = gn_closed_form(part, gn_light(setup), Accumulation::kIncoherent);
    all[k].closed_coherent = gn_closed_form(part, gn_light(setup), Accumulation::kCoherent);
  }
  return all;
}

}  // namespace

GnLine channel_profile(const Line& line, const CombWalk& walk, std::size_t channel) {
  const Channel& c = line.comb.channels[channel];
  const double between = kPi * (c.frequency + line.comb.tested().frequency);
  GnLine profile;
  for (std::size_t k = 0; k < line.sections.size(); ++k) {
    const LineSection& section = line.sections[k];
    const SectionWalk& on_the_way = walk.sections[k];
    const auto log_power = [&](double z) {
      return on_the_way.fibre.log_gain(c.offset, z) - section.span.loss * z;
    };
    double from = 0.0;
    for (const double to : piece_ends(section.span)) {
      GnSection piece = piece_of(log_power, from, to);
      piece.beta2 = section.span.beta2 - section.span.beta3 * between;
      piece.gamma = section.span.gamma;
      piece.relative_power *= on_the_way.start[channel] / c.power;
      profile.push_back(piece);
      from = to;
    }
    if (section.module) profile.back().module_beta2_length = section.module->beta2_length;
  }
  return profile;
}

std::vector<Interference> line_interference(const LinkSetup& setup, const std::vector<SpanLevel>& levels,
                                            InterferenceMemo& memo) {
  const CombWalk walk = walk_comb(setup.line);
  if (walk.flat()) return memo.after_each_span(gn_light(setup), gn_line(setup, levels));
  return wide_interference(setup, walk, levels, memo);
}

}  // namespace cohlink
