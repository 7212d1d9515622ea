// Work on the spectrum, sample by sample.
#pragma once

#include "sim/signal/propagation/cuda/sample.cuh"

namespace cohlink::cuda {

template <class Real>
COHLINK_DEVICE Phasor<Real> chirp(double second, double third, double k, Real amplitude) {
  return phasor_of_long_phase(k * k * fma(k, third, second), amplitude);
}

template <class Real>
COHLINK_DEVICE Phasor<Real> entry(const Real (&z)[2]) {
  return {z[0], z[1]};
}

template <class Real>
COHLINK_DEVICE Sample<Real> mix(const Section<Real>& m, Sample<Real> v) {
  const auto row = [&](const Real(&p)[2], const Real(&q)[2]) {
    return Phasor<Real>{fma(p[0], v.xr, fma(-p[1], v.xi, fma(q[0], v.yr, -q[1] * v.yi))),
                        fma(p[0], v.xi, fma(p[1], v.xr, fma(q[0], v.yi, q[1] * v.yr)))};
  };
  const Phasor<Real> x = row(m.xx, m.xy), y = row(m.yx, m.yy);
  return {x.c, x.s, y.c, y.s};
}

/// With `fast`, the phasor of k turns.
template <class Real>
COHLINK_DEVICE Sample<Real> section(const Section<Real>& m, Phasor<Real> fast, Sample<Real> v) {
  const Phasor<Real> x = Phasor<Real>{v.xr, v.xi} * Phasor<Real>{fast.c, -fast.s};
  const Phasor<Real> y = Phasor<Real>{v.yr, v.yi} * fast;
  return mix(m, Sample<Real>{x.c, x.s, y.c, y.s});
}

/// A section where bins are k = first + part: the phasor of `first` is the matrix's, and that of `part`, which
/// all threads have in common, turns the samples before (turned).
template <class Real, bool kSplit>
struct Mixer;

template <class Real>
struct Mixer<Real, false> {
  Phasor<Real> xx, xy, yx, yy;

  Mixer() = default;
  COHLINK_DEVICE Mixer(const Section<Real>& m, double first) {
    const auto fast = phasor_of_long_phase(first * m.turns, Real(1));
    const Phasor<Real> back = conjugate(fast);
    xx = back * entry(m.xx), xy = fast * entry(m.xy);
    yx = back * entry(m.yx), yy = fast * entry(m.yy);
  }
  COHLINK_DEVICE static Sample<Real> turned(Sample<Real> v, Phasor<Real> w) {
    const Phasor<Real> x = Phasor<Real>{v.xr, v.xi} * conjugate(w), y = Phasor<Real>{v.yr, v.yi} * w;
    return {x.c, x.s, y.c, y.s};
  }
  COHLINK_DEVICE Sample<Real> operator()(Sample<Real> v) const {
    const Phasor<Real> in_x{v.xr, v.xi}, in_y{v.yr, v.yi};
    const Phasor<Real> x = add_product(xx * in_x, xy, in_y), y = add_product(yx * in_x, yy, in_y);
    return {x.c, x.s, y.c, y.s};
  }
};

/// Of the polarisation that a thread holds, with its neighbour.
template <class Real>
struct Mixer<Real, true> {
  Phasor<Real> own, other;

  Mixer() = default;
  COHLINK_DEVICE Mixer(const Section<Real>& m, double first) {
    const Phasor<Real> fast = of_own(phasor_of_long_phase(first * m.turns, Real(1)));
    own = fast * (holds_y() ? entry(m.yy) : entry(m.xx));
    other = conjugate(fast) * (holds_y() ? entry(m.yx) : entry(m.xy));
  }
  COHLINK_DEVICE static Phasor<Real> of_own(Phasor<Real> w) { return holds_y() ? w : conjugate(w); }
  COHLINK_DEVICE static Phasor<Real> turned(Phasor<Real> v, Phasor<Real> w) { return v * of_own(w); }
  COHLINK_DEVICE Phasor<Real> operator()(Phasor<Real> v) const {
    return add_product(own * v, other, neighbours(v));
  }
};

// plan.h, OpticalFilter.
COHLINK_DEVICE double transfer(const FilterPass& filter, double k) {
  const double d = k - filter.centre, b = filter.half_bandwidth, scale = filter.inverse_sigma;
  return 0.5 * (erf((b - d) * scale) + erf((b + d) * scale));
}

// plan.h, SpectralGain, of the field.
COHLINK_DEVICE double amplitude(const ShapePass& shape, double k) {
  const int last = shape.points - 1;
  const double place = fmin(fmax(fma(k, shape.scale, shape.offset), 0.0), static_cast<double>(last));
  const int i = min(static_cast<int>(place), last - 1);
  const double low = shape.log_amplitude[i], high = shape.log_amplitude[i + 1];
  return exp(fma(place - i, high - low, low));
}

}  // namespace cohlink::cuda
