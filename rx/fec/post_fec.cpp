#include "rx/fec/post_fec.h"

#include <algorithm>
#include <cmath>
#include <stdexcept>
#include <string>
#include <vector>

#include "rx/fec/cfec.h"
#include "rx/fec/ofec_decoder.h"
#include "rx/fec/reed_solomon.h"
#include "rx/fec/scatter.h"

namespace cohlink::fec {
namespace {

constexpr std::size_t kWordsInRow = 16, kRowBits = 8 * ReedSolomon::kLength * kWordsInRow;
constexpr int kInterleavedPairs = 42, kInterleaved = kInterleavedPairs * ofec::kPairBits;
// Read before any is counted: what a decoder's knowledge of the beginning helps lies within a window or two.
constexpr int kFirstPairs = 2 * ofec::kReach, kFirstBlocks = 10;

// How the decoders work, and what a stage that is left out changes.
struct Parameters {
  bool magnitudes = true;  // of the LLRs; otherwise their signs alone
  staircase::DecoderParameters staircase;
  cfec::DecoderParameters cfec;
  ofec::DecoderParameters ofec;
};

struct Stage {
  std::string_view name;
  void (*leave_out)(Parameters&);
};

void forget_magnitudes(Parameters& p) { p.magnitudes = false; }

constexpr Stage kStaircaseStages[] = {
    {"sweeps after the first", [](Parameters& p) { p.staircase.sweeps = 1; }}};
constexpr Stage kCfecStages[] = {{"reliabilities", forget_magnitudes},
                                 {"inner code", [](Parameters& p) { p.cfec.ranked = 0; }},
                                 {"outer code", [](Parameters& p) { p.cfec.outer.sweeps = 0; }}};
constexpr Stage kOfecStages[] = {{"reliabilities", forget_magnitudes},
                                 {"half of the words tried", [](Parameters& p) { --p.ofec.ranked; }},
                                 {"soft iterations", [](Parameters& p) { p.ofec.soft.clear(); }},
                                 {"hard iterations", [](Parameters& p) { p.ofec.hard = 0; }}};

// LLRs in steps, round and round.
class Ring {
 public:
  Ring(std::span<const float> llr, bool magnitudes) : steps_(llr.size()) {
    double sum = 0.0;
    for (const float x : llr) sum += std::abs(x);
    ofec::quantise(llr, sum > 0.0 ? sum / static_cast<double>(llr.size()) : 1.0, steps_);
    if (magnitudes) return;
    for (std::int8_t& step : steps_) step = static_cast<std::int8_t>(step < 0 ? -ofec::kUnit : ofec::kUnit);
  }
  std::int8_t next() {
    const std::int8_t step = steps_[at_];
    at_ = at_ + 1 == steps_.size() ? 0 : at_ + 1;
    return step;
  }
  /// Wholes of so many bits, at least one of which there is.
  std::size_t wholes(std::size_t bits) const { return steps_.size() / bits; }

 private:
  std::vector<std::int8_t> steps_;
  std::size_t at_ = 0;
};

ErrorStretches stretches_of(std::span<const float> llr) {
  ErrorStretches out;
  for (; llr.size() >= ErrorStretches::kBits; llr = llr.subspan(ErrorStretches::kBits)) {
    std::uint64_t errors = 0;
    for (const float x : llr.first(ErrorStretches::kBits)) errors += x < 0.0F;
    out += {1, errors, errors * errors};
  }
  return out;
}

void count(PostFec& total, std::uint64_t errors, std::uint64_t bits, int iterations) {
  ++total.blocks;
  total.iterations += static_cast<std::uint64_t>(iterations);
  total.lost_blocks += errors > 0;
  total.errors += errors;
  total.bits += bits;
}

void count(PostFec& total, const staircase::Block& block, int iterations) {
  std::uint64_t errors = 0;
  for (const auto& row : block.rows) {
    for (int word = 0; word < 7; ++word) errors += __builtin_popcountll(row[word]);
    errors += __builtin_popcountll(row[7] & ((std::uint64_t{1} << (staircase::kInformation % 64)) - 1));
  }
  count(total, errors, staircase::kBlockInformation, iterations);
}

PostFec decode_reed_solomon(Ring ring, const Parameters&, const Execution& execution) {
  const ReedSolomon code;
  PostFec total;
  for (std::size_t row = 0; row < ring.wholes(kRowBits); ++row) {
    execution.check();
    std::array<std::array<std::uint8_t, ReedSolomon::kLength>, kWordsInRow> words{};
    for (int byte = 0; byte < ReedSolomon::kLength; ++byte)
      for (auto& word : words)
        for (int bit = 0; bit < 8; ++bit)
          word[byte] = static_cast<std::uint8_t>(word[byte] << 1 | (ring.next() < 0));
    for (auto& word : words) {
      const std::optional<int> mended = code.decode(word);
      std::uint64_t errors = 0;
      for (int byte = 0; byte < ReedSolomon::kInformation; ++byte) errors += __builtin_popcount(word[byte]);
      count(total, errors, 8 * ReedSolomon::kInformation, mended != 0);
    }
  }
  return total;
}

PostFec decode_staircase(Ring ring, const Parameters& parameters, const Execution& execution) {
  staircase::Decoder decoder(parameters.staircase);
  PostFec total;
  const auto blocks = static_cast<int>(ring.wholes(staircase::kBlockBits));
  for (int n = 0; n < kFirstBlocks + blocks + decoder.delay(); ++n) {
    execution.check();
    staircase::Block block;
    for (int row = 0; row < staircase::kRows; ++row)
      for (int column = 0; column < staircase::kColumns; ++column)
        if (ring.next() < 0) block.flip(row, column);
    const auto decoded = decoder(block);
    if (n >= kFirstBlocks + decoder.delay()) count(total, *decoded, decoder.needed());
  }
  return total;
}

PostFec decode_cfec(Ring ring, const Parameters& parameters, const Execution& execution) {
  cfec::Decoder decoder(parameters.cfec);
  PostFec total;
  const auto blocks = static_cast<std::uint64_t>(cfec::kBlocks) * ring.wholes(cfec::kFrameBits);
  std::vector<SoftPlaces> frame(cfec::kFrameBits / kLanes);
  for (int out = 0; total.blocks < blocks;) {
    execution.check();
    for (int word = 0; word < cfec::kUnits; ++word)
      for (int k = 0; k < Hamming::kLength; ++k)
        frame[Hamming::kLength * (word / kLanes) + k][word % kLanes] = ring.next();
    const auto decoded = decoder(frame);
    for (std::size_t k = 0; k < decoded.size(); ++k)
      if (out++ >= kFirstBlocks && total.blocks < blocks) count(total, decoded[k], decoder.needed()[k]);
  }
  return total;
}

const std::vector<int>& ofec_interleaver() {
  static const std::vector<int> order = scattered_order(kInterleaved, "ofec-interleaver");
  return order;
}

PostFec decode_ofec(Ring ring, const Parameters& parameters, const Execution& execution) {
  ofec::Decoder decoder(parameters.ofec);
  PostFec total;
  const auto pairs = static_cast<int>(kInterleavedPairs * ring.wholes(kInterleaved));
  std::vector<ofec::PairValues> values(kInterleavedPairs);
  for (int n = 0; n < kFirstPairs + pairs + decoder.delay(); ++n) {
    execution.check();
    const int place = n % kInterleavedPairs;
    if (place == 0)
      for (const int bit : ofec_interleaver()) {
        const ofec::Place to = ofec::sent_place(bit % ofec::kPairBits);
        values[bit / ofec::kPairBits][to.entry][to.lane] = ring.next();
      }
    const auto pair = decoder(values[place]);
    if (n < kFirstPairs + decoder.delay()) continue;
    std::uint64_t errors = 0;
    for (int k = 0; k < ofec::kInformation; ++k) errors += __builtin_popcount((*pair)[k]);
    count(total, errors, ofec::kPairInformation, decoder.needed());
  }
  return total;
}

struct Row {
  std::string_view code;
  std::size_t least_bits;
  int iterations;
  PostFec (*decode)(Ring, const Parameters&, const Execution&);
  std::span<const Stage> stages = {};
};
const Row kRows[] = {
    {"rs-g709", kRowBits, 1, decode_reed_solomon},
    {"staircase-g709.2", staircase::kBlockBits, staircase::DecoderParameters().sweeps, decode_staircase,
     kStaircaseStages},
    {"cfec-400zr", cfec::kFrameBits, cfec::DecoderParameters().outer.sweeps, decode_cfec, kCfecStages},
    {"ofec", kInterleaved, ofec::DecoderParameters().iterations(), decode_ofec, kOfecStages}};

const Row& row_of(std::string_view code) {
  for (const Row& row : kRows)
    if (row.code == code) return row;
  throw std::invalid_argument("no decoder for the code '" + std::string(code) + "'");
}

}  // namespace

ErrorStretches& ErrorStretches::operator+=(const ErrorStretches& other) {
  count += other.count;
  errors += other.errors;
  squares += other.squares;
  return *this;
}

double ErrorStretches::dispersion() const {
  if (count < 2 || errors == 0) return 1.0;
  const auto n = static_cast<double>(count), sum = static_cast<double>(errors);
  const double share = sum / (n * kBits);
  const double variance = (static_cast<double>(squares) - sum * sum / n) / (n - 1.0);
  return variance / (kBits * share * (1.0 - share));
}

bool ErrorStretches::bunch() const {
  return count > 1 && dispersion() > 1.0 + 4.0 * std::sqrt(2.0 / static_cast<double>(count - 1));
}

PostFec& PostFec::operator+=(const PostFec& other) {
  blocks += other.blocks;
  lost_blocks += other.lost_blocks;
  bits += other.bits;
  errors += other.errors;
  iterations += other.iterations;
  before += other.before;
  return *this;
}

std::size_t least_bits(std::string_view code) { return row_of(code).least_bits; }

int most_iterations(std::string_view code) { return row_of(code).iterations; }

std::vector<std::string> decoder_stages(std::string_view code) {
  std::vector<std::string> names;
  for (const Stage& stage : row_of(code).stages) names.emplace_back(stage.name);
  return names;
}

PostFec decode_flipped(std::string_view code, std::span<const float> llr, const Execution& execution,
                       std::string_view without) {
  const Row& row = row_of(code);
  if (llr.size() < row.least_bits) return {};
  Parameters parameters;
  const auto stage =
      std::find_if(row.stages.begin(), row.stages.end(), [&](const Stage& s) { return s.name == without; });
  if (stage != row.stages.end())
    stage->leave_out(parameters);
  else if (!without.empty())
    throw std::invalid_argument("the decoder of " + std::string(code) + " has no stage '" +
                                std::string(without) + "'");
  PostFec total = row.decode(Ring(llr, parameters.magnitudes), parameters, execution);
  total.before = stretches_of(llr);
  return total;
}

}  // namespace cohlink::fec
