// A line as plan elements.
#pragma once

#include <string>
#include <vector>

#include "sim/signal/line/line.h"
#include "sim/signal/line/wide_band.h"
#include "sim/signal/propagation/plan.h"

namespace cohlink {

/// What a section's plan takes from the line around it.
struct SectionPlace {
  std::size_t number = 1;             ///< from 1: the amplifier draws its ASE from "ase-span-<number>"
  double carrier = kCarrierHz;        ///< Hz, for the photon energy of ASE
  const SectionWalk* walk = nullptr;  ///< of this section, where the line is not flat (wide_band.h)
};

/// What stands behind the fibre of a span, in the order of LineSection. `pdl_axes` (unitary) turns the axes
/// of the amplifier's PDL.
void append_behind_fibre(PropagationPlan& plan, const LineSection& section, const JonesMatrix& pdl_axes,
                         const SectionPlace& place);

/// The line as light levels see it: each fibre one step, without birefringence, PDL axes along X.
PropagationPlan nominal_plan(const Line& line);

/// Mean power of the channel under test [W] at the start of each fibre and, last, behind the last section; no
/// noise. What fixed outputs leave to it follows from all channels and the filters they have passed.
std::vector<double> nominal_powers(const Line& line);

}  // namespace cohlink
