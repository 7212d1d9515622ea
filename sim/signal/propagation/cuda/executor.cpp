#include "sim/signal/propagation/cuda/executor.h"

#include <algorithm>
#include <cmath>
#include <utility>

#include "sim/signal/propagation/execution.h"
#include "sim/signal/units.h"

namespace cohlink::cuda {
namespace {

using namespace propagation_detail;

template <class Real>
void set(Real (&out)[2], std::complex<double> z) {
  out[0] = static_cast<Real>(z.real());
  out[1] = static_cast<Real>(z.imag());
}

template <class Real>
Section<Real> section_of(const SectionWork& work) {
  Section<Real> section;
  section.turns = work.turns;
  set(section.xx, work.matrix.xx);
  set(section.xy, work.matrix.xy);
  set(section.yx, work.matrix.yx);
  set(section.yy, work.matrix.yy);
  return section;
}

FilterPass filter_of(const OpticalFilter& filter, double bin) {
  return {filter.centre / bin, filter.bandwidth / 2.0 / bin, bin / (std::sqrt(2.0) * filter_sigma(filter))};
}

static_assert(ShapePass::kMostPoints == SpectralGain::kMostPoints);

ShapePass shape_of(const SpectralGain& gain, double bin) {
  ShapePass shape{bin / gain.spacing, -gain.first / gain.spacing, static_cast<int>(gain.log_gain.size()), {}};
  std::transform(gain.log_gain.begin(), gain.log_gain.end(), shape.log_amplitude,
                 [](double power) { return 0.5 * power; });
  return shape;
}

// Into how many equal parts a chirp is cut so that single precision carries the phase of each.
int parts_of(const kernels::PhasePolynomial& phase, int n) {
  constexpr double kMost = 0x1p18;
  const double k = n / 2.0, most = k * k * (std::abs(phase.p2) + k * std::abs(phase.p3));
  return std::max(1, static_cast<int>(std::ceil(most / kMost)));
}

}  // namespace

template <class Real>
Executor<Real>::Executor(Worker& worker, Lane& lane, const Share<Real>& share, double rate)
    : worker_(worker),
      stream_(lane.stream),
      samples_(share.fields.samples),
      n_(share.fields.order.n),
      links_(share.fields.links),
      layout_(&std::get<LayoutInUse<Real>>(lane.layouts).get(n_, links_, stream_)),
      rate_(rate),
      gains_(share.gains),
      parts_(share.parts) {}

template <class Real>
void Executor<Real>::enter() {
  next_gain_ = 0;
  adaptive = {};
  layout_->enter(samples_, links_);
}

template <class Real>
void Executor<Real>::rows(RowPass<Real> pass) {
  layout_->linear(samples_, links_, pass);
}

template <class Real>
void Executor<Real>::operator()(const LinearPass& pass) {
  RowPass<Real> row;
  row.forward = pass.forward;
  // Whatever is queued so far ends on the spectrum, and what follows starts there.
  const auto flush = [&] { rows(std::exchange(row, RowPass<Real>{})); };
  const int parts = pass.chirp ? parts_of(pass.phase, n_) : 1;
  for (int part = 0; part < parts; ++part) {
    if (part > 0) flush();
    row.chirp[0] = pass.phase.p2 / parts;
    row.chirp[1] = pass.phase.p3 / parts;
  }
  row.amplitude = pass.chirp ? pass.amplitude : 1.0;
  for (const SpectralWork& work : pass.work) {
    if (const auto* filter = std::get_if<OpticalFilter>(&work)) {
      flush();
      cuda::filter(fields(), filter_of(*filter, rate_ / n_), stream_);
    } else if (const auto* gain = std::get_if<SpectralGain>(&work)) {
      flush();
      cuda::shape(fields(), shape_of(*gain, rate_ / n_), stream_);
    } else {
      if (row.sections == RowPass<Real>::kMostSections) flush();
      row.section[row.sections++] = section_of<Real>(std::get<SectionWork>(work));
    }
  }
  row.inverse = pass.inverse;
  rows(row);
}

template <class Real>
void Executor<Real>::operator()(const KerrPass& pass) {
  layout_->kerr(samples_, links_, static_cast<Real>(pass.turns_per_watt));
}

template <class Real>
void Executor<Real>::operator()(const GainPass& pass) {
  const int gain = next_gain_++;
  if (pass.gain.output_power > 0.0) {
    const LevelledGain amplifier{pass.gain.output_power, pass.gain.noise_factor, kPlanck * pass.gain.carrier,
                                 rate_};
    level(fields(), amplifier, gains_, gain, parts_, stream_);
  }
  amplify(fields(), gains_, gain, stream_);
}

template <class Real>
void Executor<Real>::operator()(const RotationPass& pass) {
  const PolarisationRotation& e = pass.rotation;
  const Turning turning{{e.axis[0], e.axis[1], e.axis[2]}, e.rate * e.start, e.rate / rate_};
  layout_->leave(samples_, links_);
  cuda::rotate(FieldsOnDevice<Real>{samples_, links_, {n_}}, turning, stream_);
  layout_->enter(samples_, links_);
}

template <class Real>
void Executor<Real>::step(const FibreConstants& fibre, double h) {
  LinearPass in = linear_pass(fibre, h / 2.0, static_cast<std::size_t>(n_), rate_), out = in;
  in.inverse = true;
  in.amplitude /= n_;
  out.forward = true;
  (*this)(in);
  layout_->kerr(samples_, links_, static_cast<Real>(kerr_pass(fibre, h).turns_per_watt));
  (*this)(out);
}

template <class Real>
void Executor<Real>::keep(Sample<Real>* to, const Sample<Real>* from) {
  check(cudaMemcpyAsync(to, from, static_cast<std::size_t>(n_) * sizeof(Sample<Real>),
                        cudaMemcpyDeviceToDevice, stream_));
}

template <class Real>
double Executor<Real>::relative_difference() {
  auto* coarse = worker_.spare.at_least<Sample<Real>>(0) + n_;
  double* parts = parts_;
  double sums[2];
  compare(samples_, coarse, n_, parts + 2 * kSumBlocks, parts, stream_);
  check(cudaMemcpyAsync(sums, parts + 2 * kSumBlocks, sizeof sums, cudaMemcpyDeviceToHost, stream_));
  check(cudaStreamSynchronize(stream_));
  return sums[1] > 0.0 ? std::sqrt(sums[0] / sums[1]) : 0.0;
}

// As the CPU engine does it, and with room for the start, which spares undoing a rejected step.
template <class Real>
void Executor<Real>::operator()(const AdaptivePass& pass) {
  const AdaptiveStretch& e = pass.stretch;
  auto* start = worker_.spare.at_least<Sample<Real>>(2 * static_cast<std::size_t>(n_));
  auto* coarse = start + n_;
  const double floor = std::max(e.min_step, 1e-12 * e.length);
  double h = std::min(e.first_step, e.max_step);
  for (double left = e.length; left > 1e-12 * e.length;) {
    h = std::min(h, left);
    keep(start, samples_);
    step(e.fibre, h);
    keep(coarse, samples_);
    keep(samples_, start);
    step(e.fibre, h / 2.0);
    step(e.fibre, h / 2.0);
    StepVerdict verdict = judge_step(h, relative_difference(), e.tolerance);
    if (!verdict.accept && h <= floor * (1.0 + 1e-9)) {
      verdict = {true, h};
      ++adaptive.step_floor_hits;
    }
    if (verdict.accept) {
      extrapolate(samples_, coarse, n_, stream_);
      left -= h;
      ++adaptive.steps;
    } else {
      keep(samples_, start);
      ++adaptive.rejected_steps;
    }
    h = std::clamp(verdict.next_step, std::min(floor, e.max_step), e.max_step);
  }
}

template class Executor<float>;
template class Executor<double>;

}  // namespace cohlink::cuda
