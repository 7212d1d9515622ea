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
  int under_test = 0;  ///< channel that is read, counted from the middle one
};

/// SNR coefficient: noise over signal power of the channel under test after its matched filter is eta P^2, P
/// [W] the launch power of one channel (both polarisations). Coherent accumulation, noise averaged over the
/// matched filter.
double eta(const Link& link, const Comb& comb);

/// The same for one channel of rectangular spectrum, with the modulation-dependent terms of the EGN model:
/// Phi and Psi are -1 and 4 for QPSK, -17/25 and 52/25 for 16QAM, 0 and 0 for Gaussian symbols.
struct EgnEta {
  /// As the formulas are printed. They take out of the distortion the gain that light of Gaussian statistics
  /// would have, whatever the symbols are.
  double noise;
  /// What the fourth-order cumulant Phi of the symbols adds to that gain, as power: distortion in proportion
  /// to each symbol itself, which the formulas count as noise and a receiver that fits its own gain does not
  /// see. To first order a symbol a_0 is distorted by i sum C_mn a_m a*_(m+n) a_n. Only the term with itself,
  /// C_00 |a_0|^2 a_0, projects on a_0 otherwise than pairs of Gaussian symbols would: by (E|a|^4 - 2) C_00 =
  /// Phi C_00, with C_00 = (8/9)(P/2) times the mean over f of the double integral of M / Rs^2. The power is
  /// Phi^2 (16/81) |that mean|^2 / Rs^4 P^2. Derived here; 2 dB of QPSK's noise after one span, 0.1 dB after
  /// twenty.
  double self_gain;
};
EgnEta eta_egn_single_channel(const Link& link, double symbol_rate, double phi, double psi);

}  // namespace cohlink::gn
