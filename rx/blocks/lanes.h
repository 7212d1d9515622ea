// From ADC codes to two complex rows, and the correction of imperfect hybrids.
#pragma once

#include "sim/signal/field.h"
#include "sim/signal/record/capture.h"

namespace cohlink {

struct Block;
struct BlockSetting;

/// ADC codes to complex rows X = XI + i XQ, Y = YI + i YQ: each lane scaled to amperes and freed of its
/// mean (DC) where that is more than the signal's own would be (four standard deviations: removing it costs
/// one symbol's worth of the signal; what stays is found behind the decisions, rx/quality/residual_offset.h),
/// then all four scaled by one common factor to unit mean power per polarisation on average, so that the
/// power ratio of the polarisations survives. The output's sample rate is the capture's. InputError for lanes
/// of no length, a rate that is not positive, or silent lanes.
Field<float> read_lanes(const Capture& capture);

/// The same of rows that are complex already, in any unit: X alone where Y is silent.
Field<float> read_lanes(Field<float> signal);

/// Nothing but zeros.
bool is_silent(const ComplexRow<float>& row);

/// Gram-Schmidt orthonormalisation of each row's I and Q: I keeps its direction, Q loses what it shares
/// with I, both get equal power; the row's total power is kept. Corrects hybrid phase error and gain
/// imbalance that are the same at all frequencies. Over one frame I and Q share something, and differ in
/// power, by the signal's own chance: correcting that costs about 1/(2 N) of the signal in N symbols (0.1 dB
/// of an SNR of 16 dB at 1024), so what is less than 2.5 of its own standard deviations is left: images below
/// 6/(4 N) (-28 dB at 1024).
/// I. Fatadin, S. J. Savory and D. Ives, IEEE Photon. Technol. Lett. 20(20) 1733 (2008).
Field<float> orthonormalise(Field<float> signal);

/// The alternative: least-squares fit of a conic A x^2 + 2 B xy + C y^2 + D x + E y = 1 to the row's points,
/// whose centre is then moved to zero and whose ellipse is made a circle, I keeping its direction; the row's
/// power is kept. Takes out DC, gain imbalance and phase error at once, and its weight lies on the outer
/// points: a ring (QPSK with a carrier offset) is fitted with less scatter than by Gram-Schmidt's second
/// moments, a cloud (after dispersion) with more. A row that is no ellipse is left alone. S. H. Chang, H. S.
/// Chung and K. Kim, IEEE Photon. Technol. Lett. 21(13) 845 (2009), from memory.
Field<float> fit_circle(Field<float> signal);

/// As a block of the chain: dsp.iq_correction.
Block orthonormalise_block(const BlockSetting& setting);

}  // namespace cohlink
