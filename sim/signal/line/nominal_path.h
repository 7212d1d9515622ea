// What a scenario's path is meant to be, as both the link and the receiver's settings need it.
#pragma once

#include <vector>

#include "sim/signal/scenario/scenario.h"

namespace cohlink {

/// One span as the scenario gives it, in the trade's units.
struct NominalSpan {
  double length_km;
  double attenuation_db_per_km;
  double dispersion_ps_per_nm_km;
  double slope_ps_per_nm2_km;
  double nonlinear_coefficient_per_w_km;
  double lumped_loss_db;
};

/// `spans` equal ones, or those of span_lengths_km with their types and losses. A fibre constant that is
/// given holds for every span, one that is not comes from the span's type. InputError for lists of unequal
/// length.
std::vector<NominalSpan> nominal_spans(const Scenario& scenario);

/// Index of the channel under test from the lowest optical frequency, 0 to count - 1. InputError beyond that.
int channel_under_test(const Scenario& scenario);

/// Optical frequency of that channel above the centre of the grid [Hz].
double channel_offset_hz(const Scenario& scenario);

/// Accumulated chromatic dispersion of spans, modules and extra dispersion at the channel under test [ps/nm],
/// as (beta2 - beta3 w) L there expressed at 1550 nm by D = -2 pi c beta2/lambda^2 (Agrawal, Nonlinear Fiber
/// Optics, ch. 1; from memory).
double nominal_dispersion_ps_per_nm(const Scenario& scenario);

/// Accumulated third-order dispersion beta3 L [s^3] of a path that has come to `ps_per_nm`: that of the spans
/// (modules and extra dispersion have none), and for what goes beyond nominal_dispersion_ps_per_nm that of a
/// fibre of the slope and dispersion in [fibre], or of no slope where it has no dispersion.
double nominal_beta3_length(const Scenario& scenario, double ps_per_nm);

}  // namespace cohlink
