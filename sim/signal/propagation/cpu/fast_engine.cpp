#include <algorithm>
#include <array>
#include <cmath>
#include <cstring>
#include <stdexcept>

#include "sim/signal/propagation/cpu/layout.h"
#include "sim/signal/propagation/engine.h"
#include "sim/signal/propagation/execution.h"
#include "sim/signal/propagation/program.h"

namespace cohlink {
namespace {

using namespace propagation_detail;

// Runs a compiled program on one field after another. `Layout` decides how samples lie in memory.
template <class Real, class Layout>
class Executor {
 public:
  Executor(Layout& layout, const Execution& execution, std::size_t n, double rate)
      : layout_(layout), execution_(execution), n_(n), rate_(rate) {}

  void run(Rows<Real> natural, const std::vector<Instruction>& program, const RandomStreams* streams) {
    double whole = 0.0;
    for (const Instruction& instruction : program) whole += cost(instruction);
    streams_ = streams;
    rows_ = layout_.enter(natural);
    for (const Instruction& instruction : program) {
      execution_.check();
      share_ = cost(instruction) / whole;
      std::visit(*this, instruction);
      if (!std::holds_alternative<AdaptivePass>(instruction)) report_progress(share_);
    }
    layout_.leave(natural);
    execution_.progress(unreported_);
    unreported_ = 0.0;
  }

  void operator()(const LinearPass& pass) { layout_.linear(rows_, pass); }
  void operator()(const KerrPass& pass) {
    layout_.kerr(rows_, pass);
    ++report.steps;
  }
  void operator()(const RotationPass& pass) { layout_.turn(rows_, pass.rotation); }
  void operator()(const TrackPass& pass) { layout_.turn(rows_, pass.track); }

  // On a spectrum: sum |X|^2 = n^2 mean |x|^2, and noise of variance psd * rate a sample has n times that a
  // bin.
  void operator()(const GainPass& pass) {
    const double n = static_cast<double>(n_);
    const bool measured = pass.gain.output_power > 0.0;
    const GainNow now = resolve(pass.gain, measured ? squared_norm(rows_) / (n * n) : 0.0);
    const auto gain = static_cast<Real>(std::sqrt(now.power_gain));
    const double sigma = std::sqrt(now.ase_psd * rate_ * n);
    if (now.ase_psd <= 0.0) {
      for (std::size_t i = 0; i < layout_.extent(); ++i) {
        rows_.x[i] *= gain;
        rows_.y[i] *= gain;
      }
      return;
    }
    const RandomStream random = streams_->stream(pass.gain.ase_stream);
    amplify(gain, random, sigma);
  }

  // On a spectrum, which spares the transforms of a step's outer ends. See AdaptiveStretch. One field is kept
  // beside the travelling one: the coarse result while the fine one is made. A step that is rejected is
  // undone by the same two half steps backwards, which is exact (a split step's inverse is the step of
  // negative length) and rarely needed.
  void operator()(const AdaptivePass& pass) {
    const AdaptiveStretch& e = pass.stretch;
    const Rows<Real> coarse = layout_.spare();
    const double floor = std::max(e.min_step, 1e-12 * e.length);
    double h = std::min(e.first_step, e.max_step);
    for (double left = e.length; left > 1e-12 * e.length;) {
      h = std::min(h, left);
      each(coarse, [](std::complex<Real>& a, std::complex<Real>& start) { start = a; });
      step(e.fibre, h);
      each(coarse, [](std::complex<Real>& a, std::complex<Real>& start) { std::swap(a, start); });
      step(e.fibre, h / 2.0);
      step(e.fibre, h / 2.0);
      StepVerdict verdict = judge_step(h, relative_difference(coarse), e.tolerance);
      if (!verdict.accept && h <= floor * (1.0 + 1e-9)) {
        verdict = {true, h};
        ++report.step_floor_hits;
      }
      if (verdict.accept) {
        each(coarse, [](std::complex<Real>& a, const std::complex<Real>& c) {
          a = Real(4) / Real(3) * a - Real(1) / Real(3) * c;
        });
        left -= h;
        ++report.steps;
        report_progress(share_ * h / e.length);
      } else {
        step(e.fibre, -h / 2.0);
        step(e.fibre, -h / 2.0);
        ++report.rejected_steps;
      }
      h = std::clamp(verdict.next_step, std::min(floor, e.max_step), e.max_step);
    }
  }

  EngineReport report{};

 private:
  // In passes; how many an adaptive stretch takes is not known beforehand.
  static double cost(const Instruction& instruction) {
    constexpr double kAdaptive = 100.0;
    return std::holds_alternative<AdaptivePass>(instruction) ? kAdaptive : 1.0;
  }

  // Whoever listens should not slow down short steps.
  void report_progress(double share) {
    constexpr double kLeast = 0.002;
    unreported_ += share;
    if (unreported_ < kLeast) return;
    execution_.progress(unreported_);
    unreported_ = 0.0;
  }

  void step(const FibreConstants& fibre, double h) {
    LinearPass in = linear_pass(fibre, h / 2.0, n_, rate_), out = in;
    in.inverse = true;
    in.amplitude /= static_cast<double>(n_);
    out.forward = true;
    layout_.linear(rows_, in);
    layout_.kerr(rows_, kerr_pass(fibre, h));
    layout_.linear(rows_, out);
  }

  // Bin k gets complex normals 2 k (X) and 2 k + 1 (Y) of the stream, wherever the layout keeps it.
  void amplify(Real gain, const RandomStream& random, double sigma) {
    constexpr std::size_t kChunk = 256;
    std::array<std::complex<Real>, 2 * kChunk> noise;
    for (std::size_t start = 0; start < n_; start += kChunk) {
      const std::size_t count = std::min(kChunk, n_ - start);
      random.fill_noise(2 * start, sigma, std::span(noise.data(), 2 * count));
      for (std::size_t k = 0; k < count; ++k) {
        const std::size_t i = layout_.place(start + k);
        rows_.x[i] = gain * rows_.x[i] + noise[2 * k];
        rows_.y[i] = gain * rows_.y[i] + noise[2 * k + 1];
      }
    }
  }

  // Every sample of the travelling field with its counterpart in a field that lies in the spare room.
  template <class Body>
  void each(Rows<Real> other, const Body& body) {
    layout_.for_runs([&](std::size_t at, std::size_t place, std::size_t count) {
      for (std::size_t i = 0; i < count; ++i) {
        body(rows_.x[at + i], other.x[place + i]);
        body(rows_.y[at + i], other.y[place + i]);
      }
    });
  }

  double squared_norm(Rows<Real> rows) const {
    double sum = 0.0;
    for (const std::complex<Real>* row : {rows.x, rows.y}) {
      for (std::size_t i = 0; i < layout_.extent(); ++i) sum += std::norm(std::complex<double>(row[i]));
    }
    return sum;
  }

  double relative_difference(Rows<Real> coarse) {
    double difference = 0.0;
    each(coarse, [&](const std::complex<Real>& fine, const std::complex<Real>& c) {
      difference += std::norm(std::complex<double>(fine - c));
    });
    const double whole = squared_norm(rows_);
    return whole > 0.0 ? std::sqrt(difference / whole) : 0.0;
  }

  Layout& layout_;
  const Execution& execution_;
  std::size_t n_;
  double rate_;
  Rows<Real> rows_{};
  const RandomStreams* streams_ = nullptr;
  double share_ = 0.0, unreported_ = 0.0;  // of a field's work: this instruction's, and done but not told
};

// Measured: below this length whole FFTs are as fast.
constexpr std::size_t kTwoPassFrom = std::size_t{1} << 14;

// Fields of one batch, wherever they lie.
template <class Real>
struct BatchRows {
  std::vector<Rows<Real>> fields;
  std::size_t samples = 0;
  double sample_rate = 0.0;
};

template <class Real, class Layout>
EngineReport run_in(Layout& layout, const BatchRows<Real>& batch, const PropagationPlan& plan,
                    std::span<const RandomStreams> streams, const Execution& execution) {
  const std::vector<Instruction> program = compile(plan, batch.samples, batch.sample_rate);
  Executor<Real, Layout> executor(layout, execution, batch.samples, batch.sample_rate);
  for (std::size_t i = 0; i < batch.fields.size(); ++i) {
    executor.run(batch.fields[i], program, i < streams.size() ? &streams[i] : nullptr);
  }
  return executor.report;
}

template <class Real>
EngineReport run_batch(const BatchRows<Real>& batch, const PropagationPlan& plan,
                       std::span<const RandomStreams> streams, FieldLayout wanted,
                       const Execution& execution) {
  const std::size_t n = batch.samples;
  const TwoPassShape shape = two_pass_shape(n, sizeof(std::complex<Real>));
  const bool possible = shape.n1 != 0;
  if (wanted == FieldLayout::kTwoPass && !possible) {
    throw std::invalid_argument("a field of this length has too few factors of two for the two-pass layout");
  }
  const bool two_pass = wanted == FieldLayout::kTwoPass || (wanted == FieldLayout::kAutomatic && possible &&
                                                            n >= kTwoPassFrom && has_steps(plan));
  if (two_pass) {
    TwoPassLayout<Real> layout(execution, n, batch.sample_rate, shape);
    return run_in<Real>(layout, batch, plan, streams, execution);
  }
  NaturalLayout<Real> layout(execution, n, batch.sample_rate);
  return run_in<Real>(layout, batch, plan, streams, execution);
}

}  // namespace

template <class Real>
EngineReport FastEngine<Real>::operator()(std::span<Field<Real>> fields, const PropagationPlan& plan,
                                          std::span<const RandomStreams> streams) const {
  check_batch(fields, plan, streams);
  if (fields.empty()) return {};
  BatchRows<Real> batch{{}, fields[0].size(), fields[0].sample_rate};
  for (Field<Real>& field : fields) {
    if (field.size() != batch.samples || field.sample_rate != batch.sample_rate) {
      throw std::invalid_argument("the fields of a batch must share length and sample rate");
    }
    batch.fields.push_back({field.x.data(), field.y.data()});
  }
  return run_batch(batch, plan, streams, layout_, execution_);
}

template <class Real>
EngineReport FastEngine<Real>::operator()(const FieldBatch<Real>& batch, const PropagationPlan& plan,
                                          std::span<const RandomStreams> streams) const {
  check_batch(batch, plan, streams);
  if (batch.frames() == 0) return {};
  BatchRows<Real> rows{{}, batch.samples(), batch.sample_rate()};
  for (std::size_t i = 0; i < batch.frames(); ++i) rows.fields.push_back({batch.row(i, 0), batch.row(i, 1)});
  return run_batch(rows, plan, streams, layout_, execution_);
}

template class FastEngine<float>;
template class FastEngine<double>;

}  // namespace cohlink
