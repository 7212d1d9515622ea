#include "rx/fec/staircase_decoder.h"

#include <algorithm>

namespace cohlink::fec::staircase {

Decoder::Decoder(const DecoderParameters& parameters)
    : parameters_(parameters), steps_(static_cast<std::size_t>(parameters.window)) {}

void Decoder::flip(long step, int word, int place) {
  const auto columns = Component::get().columns();
  at(step).syndromes[word] ^= columns[place];
  if (place >= kLeft) {
    const int column = place - kLeft;
    at(step).block.flip(word, column);
    if (step < newest_) at(step + 1).syndromes[column + 2] ^= columns[word];
  } else {
    at(step - 1).block.flip(place, left_column(word));
    at(step - 1).syndromes[place] ^= columns[kLeft + left_column(word)];
  }
}

bool Decoder::decode_word(long step, int word) {
  const bool left_open = left_column(word) >= 0 && step > std::max(0L, newest_ - parameters_.window + 1);
  std::array<int, 3> places;
  const int errors = Component::get().decode(at(step).syndromes[word], places);
  if (errors < 0) return false;
  for (int k = 0; k < errors; ++k)
    if (places[k] < kLeft && !left_open) return false;
  for (int k = 0; k < errors; ++k) flip(step, word, places[k]);
  return true;
}

bool Decoder::sweep() {
  bool changed = false;
  const long oldest = std::max(0L, newest_ - parameters_.window + 1);
  for (long step = newest_; step >= oldest; --step) {
    Step& here = at(step);
    for (int word = 0; word < kRows; ++word) {
      if (here.syndromes[word] == 0 || here.syndromes[word] == here.failed[word]) continue;
      if (decode_word(step, word))
        changed = true;
      else
        here.failed[word] = here.syndromes[word];
    }
  }
  return changed;
}

std::optional<Block> Decoder::operator()(const Block& block) {
  const Component& component = Component::get();
  const Syndromes left = newest_ < 0 ? Syndromes{} : component.left_syndromes(at(newest_).block);
  Step& fresh = at(++newest_);
  fresh.block = block;
  fresh.failed = {};
  for (int row = 0; row < kRows; ++row)
    fresh.syndromes[row] = left[row] ^ component.right_syndrome(block.rows[row]);
  needed_ = 0;
  while (needed_ < parameters_.sweeps && sweep()) ++needed_;
  const long oldest = newest_ - parameters_.window + 1;
  if (oldest < 0) return std::nullopt;
  const Syndromes& last = at(oldest).syndromes;
  clean_ = std::all_of(last.begin(), last.end(), [](std::uint32_t s) { return s == 0; });
  return at(oldest).block;
}

}  // namespace cohlink::fec::staircase
