// A line as plan elements.
#pragma once

#include <string>
#include <vector>

#include "sim/signal/line/line.h"
#include "sim/signal/line/wide_band.h"
#include "sim/signal/propagation/plan.h"

namespace cohlink {

/// What stands behind the fibre of span `number` (from 1), in the order of LineSection. The amplifier draws
/// its ASE from the stream "ase-span-<number>"; `pdl_axes` (unitary) turns the axes of its PDL. `carrier`
/// [Hz]: for the photon energy of ASE. `walk`: of this section, where the line is not flat (wide_band.h).
void append_behind_fibre(PropagationPlan& plan, const LineSection& section, std::size_t number,
                         const JonesMatrix& pdl_axes, double carrier = kCarrierHz,
                         const SectionWalk* walk = nullptr);

/// The line as light levels see it: each fibre one step, without birefringence, PDL axes along X.
PropagationPlan nominal_plan(const Line& line);

/// Mean power of the channel under test [W] at the start of each fibre and, last, behind the last section; no
/// noise. What fixed outputs leave to it follows from all channels and the filters they have passed.
std::vector<double> nominal_powers(const Line& line);

}  // namespace cohlink
