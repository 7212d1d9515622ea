// What host and device code of the CUDA engine hand each other: plain data, in device memory or by value.
#pragma once

#include <cstddef>
#include <cstdint>

namespace cohlink::cuda {

/// One sample of both polarisations, x = xr + i xi and y = yr + i yi, in sqrt(W). They lie side by side since
/// every step mixes them.
template <class Real>
struct alignas(16) Sample {
  Real xr, xi, yr, yi;
};

template <class Real>
struct alignas(2 * sizeof(Real)) Phasor {
  Real c, s;  // c + i s
};

/// Most samples a thread of the two passes holds.
constexpr int kMostElements = 16;

/// diag(exp(-2 pi i k turns), exp(+2 pi i k turns)) on (x, y), then the matrix; k is the signed bin index.
template <class Real>
struct Section {
  double turns = 0.0;
  Real xx[2] = {1, 0}, xy[2] = {0, 0}, yx[2] = {0, 0}, yy[2] = {1, 0};
  /// exp(2 pi i turns) of each register's part of k, as the layout of two passes fills it in.
  Phasor<Real> of_part[kMostElements] = {};
};

/// A gain as it acts on one link's spectrum: v -> amplitude v + sigma (complex normal of the bin).
struct GainOnLink {
  double amplitude = 1.0, sigma = 0.0;
  std::uint32_t key[2] = {0, 0};  ///< of the random stream
};

/// In device memory for all launches of a program: gains[gain links + link].
struct GainTable {
  GainOnLink* gains = nullptr;
  int links = 0;
};

/// Two passes over memory a step (passes.cuh), n = N1 x N2 samples a link, links in the grid's y.
template <class Real>
struct RowPass {
  static constexpr int kMostSections = 8;
  Sample<Real>* field = nullptr;
  int log_n1 = 0, log_e1 = 0;             ///< of the columns, to know each row's frequency
  bool forward = false, inverse = false;  ///< else it starts, or ends, on the spectrum
  int sections = 0;
  double chirp[2] = {0.0, 0.0};  ///< k^2 chirp[0] + k^3 chirp[1] turns, below 2^19
  double amplitude = 1.0;
  int stagger = 0;  ///< clock cycles from one block's start to the next's on a multiprocessor
  Section<Real> section[kMostSections];
};
template <class Real>
struct ColumnPass {
  Sample<Real>* field = nullptr;
  int log_n2 = 0;
  bool leave = false;  ///< inverse, else forward: of the kernel without Kerr rotation
  Real turns_per_watt = 0;
  int stagger = 0;  ///< as of rows
};

/// An optical filter (plan.h) in bins.
struct FilterPass {
  double centre = 0.0, half_bandwidth = 0.0, inverse_sigma = 0.0;  ///< 1/(sqrt(2) s)
};

/// Gain by frequency (plan.h, SpectralGain): places in the table are scale k + offset of the signed bin k.
struct ShapePass {
  static constexpr int kMostPoints = 128;
  double scale = 0.0, offset = 0.0;
  int points = 0;
  double log_amplitude[kMostPoints] = {};
};

/// Where bins lie in a spectrum of n samples: in order, or as the two passes leave them.
struct BinOrder {
  int n = 0;
  bool two_pass = false;
  int log_n1 = 0, log_e1 = 0, log_n2 = 0, log_e2 = 0;
};

}  // namespace cohlink::cuda
