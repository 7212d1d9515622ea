// Numerical GN and EGN integrals, to judge simulated nonlinear noise by. Test helper.
//
// Sources: P. Poggiolini, J. Lightwave Technol. 30(24) 3857 (2012); Poggiolini, Bosco, Carena, Curri, Jiang
// and Forghieri, J. Lightwave Technol. 32(4) 694 (2014): the GN integral with coherent accumulation over
// equal spans. Carena, Bosco, Curri, Jiang, Poggiolini and Forghieri, Opt. Express 22(13) 16335 (2014): EGN.
// Formulas from memory.
#pragma once

#include <functional>

namespace cohlink::gn {

/// Equal, fully compensated spans; SI. `loss` is the POWER loss [1/m] (twice the papers' alpha).
struct Link {
  double gamma = 1.3e-3, beta2 = 0.0, loss = 0.0, span_length = 80e3;
  int spans = 1;
};

/// Channels on a grid around the one under test, all alike: `density(f)` is the power density over its value
/// at the centre, zero beyond `edge` [Hz], its integral the symbol rate. RRC: the raised cosine.
struct Comb {
  double symbol_rate = 32e9, edge = 16e9, spacing = 50e9;
  int channels_each_side = 0;
  std::function<double(double)> density;
};

/// SNR coefficient: noise over signal power of the channel under test after its matched filter is eta P^2, P
/// [W] the launch power of one channel (both polarisations). Coherent accumulation, noise averaged over the
/// matched filter.
double eta(const Link& link, const Comb& comb);

/// The same for one channel of rectangular spectrum, with the modulation-dependent terms of the EGN model:
/// Phi and Psi are -1 and 4 for QPSK, -17/25 and 52/25 for 16QAM, 0 and 0 for Gaussian symbols. The formulas
/// count as noise what each symbol of a non-Gaussian constellation does to itself, although its part in
/// proportion to the symbol is a gain that any receiver takes out; that part, phi^2 16/81 |mean over f of the
/// double integral of M|^2 / Rs^4, is taken out here too (derived here; 2 dB for QPSK after one span, 0.1 dB
/// after twenty).
double eta_egn_single_channel(const Link& link, double symbol_rate, double phi, double psi);

}  // namespace cohlink::gn
