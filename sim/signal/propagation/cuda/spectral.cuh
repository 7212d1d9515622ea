// Work on the spectrum, sample by sample.
#pragma once

#include "sim/signal/propagation/cuda/sample.cuh"

namespace cohlink::cuda {

template <class Real>
COHLINK_DEVICE Phasor<Real> chirp(double second, double third, double k) {
  return phasor_of_long_phase<Real>(k * k * fma(k, third, second));
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

/// With `fast`, the phasor of k turns; a thread that holds x or y alone takes part with its neighbour.
template <class Real>
COHLINK_DEVICE Sample<Real> section(const Section<Real>& m, Phasor<Real> fast, Sample<Real> v) {
  const Phasor<Real> x = Phasor<Real>{v.xr, v.xi} * Phasor<Real>{fast.c, -fast.s};
  const Phasor<Real> y = Phasor<Real>{v.yr, v.yi} * fast;
  return mix(m, Sample<Real>{x.c, x.s, y.c, y.s});
}
template <class Real>
COHLINK_DEVICE Phasor<Real> section(const Section<Real>& m, Phasor<Real> fast, Phasor<Real> v) {
  const bool y = holds_y();
  const Phasor<Real> own = v * Phasor<Real>{fast.c, y ? fast.s : -fast.s}, other = neighbours(own);
  const auto entry = [](const Real(&z)[2]) { return Phasor<Real>{z[0], z[1]}; };
  return add_product(own * (y ? entry(m.yy) : entry(m.xx)), y ? entry(m.yx) : entry(m.xy), other);
}

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
