#include "rx/blocks/frame_sync.h"

#include <algorithm>
#include <cmath>

#include "rx/blocks/frequency.h"
#include "rx/blocks/operations.h"
#include "rx/stage/block.h"
#include "sim/signal/scenario/errors.h"
#include "sim/signal/units.h"

namespace cohlink {
namespace {

// s[k + spacing] conj(s[k]) of both polarisations, added, where both symbols are known; else nought.
ComplexRow<double> products_in_block(const FrameKnowledge& knowledge) {
  const std::size_t block = knowledge.layout().block;
  std::array<Symbols, 2> row;
  for (std::size_t p = 0; p < 2; ++p) {
    row[p].resize(block);
    for (std::size_t m = 0; m < knowledge.block().places.size(); ++m)
      row[p][knowledge.block().places[m]] = knowledge.block().symbols[p][m];
  }
  ComplexRow<double> out(block);
  for (std::size_t k = 0; k < block; ++k)
    for (std::size_t p = 0; p < 2; ++p)
      out[k] += row[p][(k + knowledge.layout().spacing) % block] * std::conj(row[p][k]);
  return out;
}

std::size_t last_whole(const Field<float>& signal, std::size_t last) {
  return std::min(last, (signal.size() - 1) / 2);
}

// The largest of `c` over the root mean square of all that are not within `near` places of it, round the end.
double peak_to_rms(const std::vector<std::complex<double>>& c, std::size_t at, std::size_t near) {
  double others = 0.0;
  std::size_t count = 0;
  for (std::size_t d = 0; d < c.size(); ++d) {
    const std::size_t apart = d > at ? d - at : at - d;
    if (std::min(apart, c.size() - apart) <= near) continue;
    others += std::norm(c[d]);
    ++count;
  }
  return others > 0.0 ? std::abs(c[at]) / std::sqrt(others / static_cast<double>(count)) : 0.0;
}

// The middle of what lies about the peak, in half symbols; may lie before place 0.
double centre_of(const std::vector<std::complex<double>>& c, std::size_t at, int reach) {
  double sum = 0.0, weights = 0.0;
  for (int step = -reach; step <= reach; ++step) {
    const auto size = static_cast<std::ptrdiff_t>(c.size());
    const auto d = static_cast<std::size_t>((static_cast<std::ptrdiff_t>(at) + step + size) % size);
    const double weight = std::norm(c[d]) > 0.25 * std::norm(c[at]) ? std::norm(c[d]) : 0.0;
    sum += weight * step;
    weights += weight;
  }
  return static_cast<double>(at) + (weights > 0.0 ? sum / weights : 0.0);
}

std::size_t largest(const std::vector<std::complex<double>>& c) {
  const auto smaller = [](const auto& a, const auto& b) { return std::norm(a) < std::norm(b); };
  return static_cast<std::size_t>(std::max_element(c.begin(), c.end(), smaller) - c.begin());
}

}  // namespace

FrameSync::FrameSync(Modulation modulation, const FrameLayout& layout, const FftCache& fft)
    : knowledge_(modulation, layout), word_(alignment_word(modulation, layout)), fft_(fft) {
  spectrum_[0] = products_in_block(knowledge_);
  spectrum_[1] = spectrum_[0];
  for (auto& product : spectrum_[1]) product = std::conj(product);
  for (auto& row : spectrum_) fft_.get<double>(row.size()).forward(row);
}

// At place 2 d + m: symbol d of the row begins a block, m half a symbol late.
std::vector<std::complex<double>> FrameSync::correlate(const Field<float>& signal, const Range& range,
                                                       bool conjugate) const {
  const std::size_t block = knowledge_.layout().block, spacing = knowledge_.layout().spacing;
  const Fft<double>& fft = fft_.get<double>(block);
  std::vector<std::complex<double>> out(2 * block);
  for (std::size_t half = 0; half < 2; ++half) {
    ComplexRow<double> folded(block);
    for (const auto* row : signal.rows())
      for (std::size_t k = range.first; k + spacing < range.last; ++k)
        folded[k % block] += std::complex<double>((*row)[2 * (k + spacing) + half]) *
                             std::conj(std::complex<double>((*row)[2 * k + half]));
    fft.forward(folded);
    for (std::size_t k = 0; k < block; ++k) folded[k] *= std::conj(spectrum_[conjugate][k]);
    fft.inverse(folded);
    for (std::size_t d = 0; d < block; ++d) out[2 * d + half] = folded[d];
  }
  return out;
}

FramePlace FrameSync::operator()(const Field<float>& signal, std::size_t first, std::size_t last) const {
  constexpr int kReach = 8;  // half symbols: what differential delay may spread the peak over
  const std::size_t block = knowledge_.layout().block;
  const Range range{first, last_whole(signal, last)};
  FramePlace place;
  for (const bool conjugate : {false, true}) {
    const auto c = correlate(signal, range, conjugate);
    const std::size_t at = largest(c);
    const double peak = peak_to_rms(c, at, static_cast<std::size_t>(kReach));
    if (peak <= place.peak_to_rms) continue;
    const double middle = 0.5 * centre_of(c, at, kReach);
    place.peak_to_rms = peak;
    place.start = (static_cast<std::size_t>(std::lround(middle + static_cast<double>(block)))) % block;
    place.cycles_per_symbol = std::arg(c[at]) / (kTwoPi * static_cast<double>(knowledge_.layout().spacing));
    place.conjugate = conjugate;
  }
  if (place.peak_to_rms >= kFrameLock) place.superframe = find_superframe(signal, range, place);
  return place;
}

// Power of the alignment word's correlations, all pairs of rows and polarisations, at symbol `begin`.
double FrameSync::word_power(const Field<float>& signal, std::size_t begin, const FramePlace& place) const {
  double power = 0.0;
  for (const auto* row : signal.rows())
    for (const Symbols& word : word_.symbols) {
      std::complex<double> sum = 0.0;
      for (std::size_t n = 0; n < word.size(); ++n) {
        const double turn = -kTwoPi * place.cycles_per_symbol * static_cast<double>(word_.places[n]);
        const auto sent = place.conjugate ? std::conj(word[n]) : word[n];
        sum += std::complex<double>((*row)[2 * (begin + word_.places[n])]) * std::conj(sent) *
               std::polar(1.0, turn);
      }
      power += std::norm(sum);
    }
  return power;
}

std::optional<std::size_t> FrameSync::find_superframe(const Field<float>& signal, const Range& range,
                                                      const FramePlace& place) const {
  constexpr double kClear = 6.0;  // over the mean of the other blocks: four exponentials, once in 1e7
  const FrameLayout& layout = knowledge_.layout();
  if (layout.blocks == 1) return place.start;
  std::vector<double> power(layout.blocks);
  std::vector<std::size_t> seen(layout.blocks);
  for (std::size_t begin = place.start, b = 0; begin + word_.places.back() < range.last;
       begin += layout.block, b = (b + 1) % layout.blocks) {
    if (begin < range.first) continue;
    power[b] += word_power(signal, begin, place);
    ++seen[b];
  }
  double sum = 0.0;
  for (std::size_t b = 0; b < layout.blocks; ++b)
    sum += power[b] /= std::max<double>(1.0, static_cast<double>(seen[b]));
  const auto best = static_cast<std::size_t>(std::max_element(power.begin(), power.end()) - power.begin());
  if (power[best] < kClear * (sum - power[best]) / static_cast<double>(layout.blocks - 1))
    return std::nullopt;
  return place.start + best * layout.block;
}

namespace {

void synchronise(const FrameSync& sync, Carried& c) {
  if (c.result.one_polarisation)
    throw InputError(Origin(), "signal.frame",
                     "is found in both polarisations, X alone was recorded; dsp.pilots = ignored receives it "
                     "blindly");
  const FramePlace place = sync(c.signal, c.first(), c.last());
  if (place.peak_to_rms < kFrameLock) {
    c.result.warnings.push_back(
        "no lock: no frame found, training and pilots are not where signal.frame has them");
    c.pilots_lost = true;
    return;
  }
  const double offset = place.cycles_per_symbol * c.symbol_rate;
  c.result.frequency_offset_hz = c.result.frequency_offset_hz.value_or(0.0) + offset;
  c.carrier.cycles_per_symbol += place.cycles_per_symbol;
  c.signal = remove_frequency(std::move(c.signal), offset);
  if (place.conjugate) {
    for (auto* row : c.signal.rows())
      for (auto& r : *row) r = std::conj(r);
    c.carrier_known = false;
    c.result.warnings.push_back("frame-sync: I and Q of the lanes have changed places; taken back");
  }
  c.frame_start = place.start;
  c.superframe_start = place.superframe;
  c.result.measured.push_back({"frame_start", static_cast<double>(place.superframe.value_or(place.start))});
  c.result.used_known_data.push_back("frame-sync (training and pilots, known by the layout signal.frame)");
}

}  // namespace

Block frame_sync_block(const BlockSetting& setting) {
  const Scenario& s = setting.scenario;
  const FrameLayout layout = frame_layout(s);
  if (!layout.framed()) s.reject("dsp.chain", "frame-sync has no frame to look for: signal.frame = none");
  if (!usable_frame(s)) s.reject("dsp.pilots", "= ignored leaves frame-sync in dsp.chain nothing to do");
  const FrameSync sync(setting.modulation, layout, setting.fft());
  Block block;
  block.apply = [sync](Carried& c) { synchronise(sync, c); };
  block.cost = cost_of(kSamplesPerSymbol * rotation_operations());
  return block;
}

}  // namespace cohlink
