#include "rx/chain/table.h"

#include <algorithm>

#include "rx/blocks/back_propagation.h"
#include "rx/blocks/clock_recovery.h"
#include "rx/blocks/coarse_frequency.h"
#include "rx/blocks/deskew.h"
#include "rx/blocks/dispersion.h"
#include "rx/blocks/equaliser.h"
#include "rx/blocks/frame_sync.h"
#include "rx/blocks/frequency.h"
#include "rx/blocks/lanes.h"
#include "rx/blocks/matched_filter.h"
#include "rx/blocks/phase.h"
#include "rx/blocks/polarisation.h"
#include "rx/blocks/resample.h"
#include "rx/blocks/roll_off.h"

namespace cohlink {
namespace {

constexpr const char* kOnce =
    "back-propagation undoes the dispersion too: it stands in dispersion's place, not beside it";
constexpr const char* kTwoOrOne = "works at two samples a symbol (coarse) or on symbols (fine)";
constexpr const char* kSlow = "frequency must come before phase, which can only follow a slow phase";

}  // namespace

// clang-format off
const std::vector<BlockRow>& block_table() {
  static const std::vector<BlockRow> table = {
      {"deskew", "deskew", Rate::kAdc, Rate::kAdc, deskew_block,
       "moves the ADC's lanes and must come before any block that mixes them or changes the rate",
       "dsp.deskew, dsp.skew_xi_ps, dsp.skew_xq_ps, dsp.skew_yi_ps, dsp.skew_yq_ps"},
      {"orthonormalise", "orthonormalise", Rate::kAdc, Rate::kAdc, orthonormalise_block,
       "corrects the hybrids' I and Q lanes and must come before any block that mixes them or changes the rate",
       "dsp.iq_correction"},
      {"resample", "resample", Rate::kAdc, Rate::kTwo, resample_block,
       "turns the ADC's rate into two samples a symbol and can come only once, first of those that need them", ""},
      {"dispersion", "dispersion", Rate::kTwo, Rate::kTwo, dispersion_block, "works at two samples a symbol",
       "dsp.dispersion, dsp.dispersion_ps_per_nm, dsp.dispersion_overlap", "back-propagation", kOnce},
      {"back-propagation", "back-propagation", Rate::kTwo, Rate::kTwo, back_propagation_block,
       "works at two samples a symbol", "dsp.back_propagation_steps", "dispersion", kOnce},
      {"roll-off", "roll-off estimate", Rate::kTwo, Rate::kTwo, roll_off_block, "works at two samples a symbol", "",
       "matched-filter", "roll-off must come before matched-filter, which changes the spectrum that it reads", "",
       {{"roll_off", "roll-off", ""}}},
      {"clock", "clock", Rate::kTwo, Rate::kTwo, clock_block, "works at two samples a symbol", "dsp.clock_window"},
      {"matched-filter", "matched-filter", Rate::kTwo, Rate::kTwo, matched_filter_block,
       "works at two samples a symbol", ""},
      {"frame-sync", "frame-sync", Rate::kTwo, Rate::kTwo, frame_sync_block, "works at two samples a symbol",
       "dsp.pilots", "", "", "", {{"frame_start", "frame start", "symbols"}}},
      {"equaliser", "equaliser", Rate::kTwo, Rate::kOne, equaliser_block,
       "takes two samples a symbol and gives one",
       "dsp.equaliser, dsp.equaliser_form, dsp.equaliser_taps, dsp.equaliser_step, dsp.equaliser_passes, "
       "dsp.training_symbols", "", "", "decimate"},
      {"genie-polarisation", "genie-polarisation", Rate::kTwo, Rate::kTwo, genie_polarisation_block,
       "works at two samples a symbol", ""},
      {"decimate", "decimate", Rate::kTwo, Rate::kOne, decimate_block,
       "takes two samples a symbol and gives one", ""},
      {"frequency", "frequency (coarse)", Rate::kTwo, Rate::kTwo, coarse_frequency_block, kTwoOrOne, ""},
      {"frequency", "frequency (fine)", Rate::kOne, Rate::kOne, frequency_block, kTwoOrOne, "", "phase", kSlow},
      {"phase", "phase", Rate::kOne, Rate::kOne, phase_block, "works on symbols, one sample each",
       "dsp.phase_recovery, dsp.phase_window, dsp.phase_joint, dsp.phase_second_stage, dsp.phase_second_window, "
       "dsp.test_phases"},
  };
  return table;
}
// clang-format on

const BlockRow* find_block(const std::string& name, Rate rate) {
  const auto row = std::find_if(block_table().begin(), block_table().end(),
                                [&](const BlockRow& r) { return name == r.name && r.needs == rate; });
  return row == block_table().end() ? nullptr : &*row;
}

std::vector<const BlockRow*> rows_of(const std::vector<std::string>& chain) {
  std::vector<const BlockRow*> rows;
  Rate rate = Rate::kAdc;
  for (const auto& name : chain) {
    rows.push_back(find_block(name, rate));
    rate = rows.back()->leaves;
  }
  return rows;
}

}  // namespace cohlink
