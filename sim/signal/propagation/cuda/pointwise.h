// Passes that visit each sample by itself. All are queued on a stream and act on `links` fields of order.n
// samples, one after the other in memory.
#pragma once

#include <cuda_runtime.h>

#include <cstddef>

#include "sim/signal/propagation/cuda/arguments.h"

namespace cohlink::cuda {

/// Where the fields are and in which order they lie.
template <class Real>
struct FieldsOnDevice {
  Sample<Real>* samples = nullptr;
  int links = 0;
  BinOrder order;
};

/// Rows of x and of y, of all links, as the host has them: x of link 0, y of link 0, x of link 1, ...
template <class Real>
void interleave(FieldsOnDevice<Real> to, const Real* rows, cudaStream_t stream);
template <class Real>
void separate(Real* rows, FieldsOnDevice<Real> from, cudaStream_t stream);

/// On spectra: gain and noise of one amplifier, an optical filter, a gain by frequency, a row pass's chirp
/// and sections.
template <class Real>
void amplify(FieldsOnDevice<Real> fields, GainTable gains, int gain, cudaStream_t stream);
template <class Real>
void filter(FieldsOnDevice<Real> fields, const FilterPass& filter, cudaStream_t stream);
template <class Real>
void shape(FieldsOnDevice<Real> fields, const ShapePass& shape, cudaStream_t stream);
template <class Real>
void linear(FieldsOnDevice<Real> fields, const RowPass<Real>& pass, cudaStream_t stream);

/// In time, which lies in natural order.
template <class Real>
void kerr(FieldsOnDevice<Real> fields, Real turns_per_watt, cudaStream_t stream);
/// Polarisation rotation: a turn by `angle` + sample `step` [rad in Stokes space] about the axis.
struct Turning {
  double axis[3] = {0, 0, 1}, angle = 0.0, step = 0.0;
};
template <class Real>
void rotate(FieldsOnDevice<Real> fields, const Turning& pass, cudaStream_t stream);

/// Blocks that share a link's sum; each leaves its part, so that the sum is always made in one order.
constexpr int kSumBlocks = 128;

/// A fixed-output amplifier, whose gain follows from the power that arrives.
struct LevelledGain {
  double output_power = 0.0, noise_factor = 0.0, photon_energy = 0.0;  ///< W, linear, J
  double rate = 0.0;                                                   ///< Hz
};
/// Measures each link on its spectrum and sets amplitude and sigma of `gain`; no light leaves an amplitude of
/// infinity. `parts`: links x kSumBlocks doubles.
template <class Real>
void level(FieldsOnDevice<Real> fields, const LevelledGain& amplifier, GainTable gains, int gain,
           double* parts, cudaStream_t stream);

/// Of one link: sums |fine - coarse|^2 (into sums[0]) and |fine|^2 (into sums[1]). `parts`: 2 x kSumBlocks.
template <class Real>
void compare(const Sample<Real>* fine, const Sample<Real>* coarse, int n, double* sums, double* parts,
             cudaStream_t stream);
/// fine = 4/3 fine - 1/3 coarse.
template <class Real>
void extrapolate(Sample<Real>* fine, const Sample<Real>* coarse, int n, cudaStream_t stream);

}  // namespace cohlink::cuda
