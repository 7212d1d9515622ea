// What tells two programs of launches apart.
#pragma once

#include <cstdint>
#include <stdexcept>
#include <variant>
#include <vector>

#include "sim/signal/propagation/program.h"

namespace cohlink::cuda {

/// All numbers that launches depend on.
struct Signature {
  std::vector<double> numbers;

  template <class... T>
  void add(T... values) {
    (numbers.push_back(static_cast<double>(values)), ...);
  }
  void add_pointer(const void* p) { add(reinterpret_cast<std::uintptr_t>(p)); }
  void add_matrix(const JonesMatrix& m) {
    for (const auto z : {m.xx, m.xy, m.yx, m.yy}) add(z.real(), z.imag());
  }
  void operator()(const propagation_detail::LinearPass& e) {
    add(1, e.forward, e.inverse, e.chirp, e.phase.p2, e.phase.p3, e.amplitude, e.work.size());
    for (const propagation_detail::SpectralWork& work : e.work) {
      if (const auto* section = std::get_if<propagation_detail::SectionWork>(&work)) {
        add(1, section->turns);
        add_matrix(section->matrix);
      } else if (const auto* filter = std::get_if<OpticalFilter>(&work)) {
        add(2, filter->centre, filter->bandwidth, filter->otf_bandwidth);
      } else {
        const auto& gain = std::get<SpectralGain>(work);
        add(3, gain.first, gain.spacing, gain.log_gain.size());
        numbers.insert(numbers.end(), gain.log_gain.begin(), gain.log_gain.end());
      }
    }
  }
  void operator()(const propagation_detail::KerrPass& e) { add(2, e.turns_per_watt); }
  void operator()(const propagation_detail::GainPass& e) {
    add(3, e.gain.output_power, e.gain.noise_factor, e.gain.carrier);
  }
  void operator()(const propagation_detail::AdaptivePass&) { add(4); }
  void operator()(const propagation_detail::TrackPass&) {
    throw std::invalid_argument("no card turns by a polarisation track");
  }
  void operator()(const propagation_detail::RotationPass& e) {
    add(5, e.rotation.rate, e.rotation.axis[0], e.rotation.axis[1], e.rotation.axis[2], e.rotation.start);
  }
};

}  // namespace cohlink::cuda
