#include "sim/signal/propagation/program.h"

#include <cmath>

#include "sim/signal/propagation/execution.h"
#include "sim/signal/units.h"

namespace cohlink::propagation_detail {
namespace {

// Phase of accumulated dispersion in turns over the bin index: w = 2 pi k rate/n.
kernels::PhasePolynomial dispersion_phase(double beta2_length, double beta3_length, std::size_t n,
                                          double rate) {
  const double w = kTwoPi * rate / static_cast<double>(n);
  return {0.0, beta2_length / 2.0 * w * w / kTwoPi, -beta3_length / 6.0 * w * w * w / kTwoPi};
}

class Compiler {
 public:
  Compiler(std::size_t n, double rate) : n_(n), rate_(rate) {}

  void operator()(const SplitStep& e) {
    scalar(linear_pass(e.fibre, e.length / 2.0, n_, rate_));
    to_time();
    program_.push_back(kerr_pass(e.fibre, e.length));
    scalar(linear_pass(e.fibre, e.length / 2.0, n_, rate_));
  }
  void operator()(const AdaptiveStretch& e) {
    to_spectrum();
    program_.push_back(AdaptivePass{e});
  }
  void operator()(const PmdSection& e) {
    pending_.work.push_back(SectionWork{e.dgd * rate_ / static_cast<double>(n_) / 2.0, e.rotation});
    idle_ = false;
  }
  void operator()(const LumpedJones& e) {
    idle_ = false;
    auto* section = pending_.work.empty() ? nullptr : std::get_if<SectionWork>(&pending_.work.back());
    if (section != nullptr)
      section->matrix = e.matrix * section->matrix;
    else
      pending_.work.push_back(SectionWork{0.0, e.matrix});
  }
  void operator()(const LumpedGain& e) {
    if (e.output_power <= 0.0 && !has_ase(e)) {
      LinearPass gain;
      gain.chirp = true;
      gain.amplitude = std::sqrt(e.power_gain);
      scalar(gain);
      return;
    }
    to_spectrum();
    program_.push_back(GainPass{e});
  }
  void operator()(const OpticalFilter& e) {
    pending_.work.emplace_back(e);
    idle_ = false;
  }
  void operator()(const SpectralGain& e) {
    if (e.log_gain.empty()) return;
    pending_.work.emplace_back(e);
    idle_ = false;
  }
  void operator()(const DispersionModule& e) {
    LinearPass module;
    module.chirp = true;
    module.phase = dispersion_phase(e.beta2_length, e.beta3_length, n_, rate_);
    scalar(module);
  }
  void operator()(const PolarisationRotation& e) {
    to_time();
    program_.push_back(RotationPass{e});
  }
  void operator()(const PolarisationTrack& e) {
    to_time();
    program_.push_back(TrackPass{e});
  }

  std::vector<Instruction> finish() {
    to_time();
    return std::move(program_);
  }

 private:
  // Scalar work commutes with all else on the spectrum, so one chirp a pass is enough.
  void scalar(const LinearPass& more) {
    idle_ = false;
    pending_.chirp = true;
    pending_.phase.p2 += more.phase.p2;
    pending_.phase.p3 += more.phase.p3;
    pending_.amplitude *= more.amplitude;
  }
  // Always a pass, even an idle one: each stay in time must follow an inverse transform that carried the 1/n.
  void to_time() {
    pending_.forward = in_time_;
    pending_.inverse = true;
    pending_.chirp = true;  // carries the 1/n
    pending_.amplitude /= static_cast<double>(n_);
    flush();
    in_time_ = true;
  }
  void to_spectrum() {
    if (!in_time_ && idle_) return;
    pending_.forward = in_time_;
    flush();
    in_time_ = false;
  }
  void flush() {
    program_.push_back(std::move(pending_));
    pending_ = {};
    idle_ = true;
  }

  std::size_t n_;
  double rate_;
  std::vector<Instruction> program_;
  LinearPass pending_;
  bool in_time_ = true, idle_ = true;
};

}  // namespace

LinearPass linear_pass(const FibreConstants& fibre, double length, std::size_t n, double rate) {
  LinearPass pass;
  pass.chirp = true;
  pass.phase = dispersion_phase(fibre.beta2 * length, fibre.beta3 * length, n, rate);
  pass.amplitude = std::exp(-fibre.loss * length / 2.0);
  return pass;
}

KerrPass kerr_pass(const FibreConstants& fibre, double length) {
  return {kerr_phase(fibre, length) / kTwoPi};
}

std::vector<Instruction> compile(const PropagationPlan& plan, std::size_t n, double rate) {
  Compiler compiler(n, rate);
  for (const PlanElement& element : plan.elements) std::visit(compiler, element);
  return compiler.finish();
}

}  // namespace cohlink::propagation_detail
