// Light of several frames side by side, with its place in memory.
#pragma once

#include <complex>
#include <cstddef>
#include <memory>
#include <span>
#include <stdexcept>
#include <utility>

#include "sim/signal/field.h"

namespace cohlink {

enum class MemoryPlace { kHost, kDevice };

/// [frames][2][samples] complex samples in sqrt(W), X and Y of a frame after each other, in one piece of
/// memory, which copies share. Rows begin on 64-byte boundaries, `stride` samples apart.
template <class Real>
class FieldBatch {
 public:
  using Complex = std::complex<Real>;
  /// Whoever made the memory says where it lies and, by the pointer's deleter, how it is given back.
  struct Memory {
    std::shared_ptr<Complex[]> samples;
    MemoryPlace place = MemoryPlace::kHost;
  };

  /// Zeros on the host.
  FieldBatch(std::size_t frames, std::size_t samples, double sample_rate)
      : FieldBatch(frames, samples, sample_rate, host_memory(2 * frames * stride_of(samples))) {}
  FieldBatch(std::size_t frames, std::size_t samples, double sample_rate, Memory memory)
      : frames_(frames), samples_(samples), sample_rate_(sample_rate), memory_(std::move(memory)) {}

  /// A copy of these fields on the host, rounded to Real. Throws std::invalid_argument unless they share
  /// length and sample rate.
  template <class Other>
  static FieldBatch of(std::span<const Field<Other>> fields) {
    if (fields.empty()) return FieldBatch(0, 0, 0.0);
    FieldBatch batch(fields.size(), fields[0].size(), fields[0].sample_rate);
    for (std::size_t i = 0; i < fields.size(); ++i) {
      const Field<Other>& field = fields[i];
      if (field.size() != batch.samples_ || field.y.size() != batch.samples_ ||
          field.sample_rate != batch.sample_rate_)
        throw std::invalid_argument("the fields of a batch must share length and sample rate");
      for (std::size_t t = 0; t < field.size(); ++t) {
        batch.row(i, 0)[t] = Complex(field.x[t]);
        batch.row(i, 1)[t] = Complex(field.y[t]);
      }
    }
    return batch;
  }

  std::size_t frames() const { return frames_; }
  std::size_t samples() const { return samples_; }
  double sample_rate() const { return sample_rate_; }
  MemoryPlace place() const { return memory_.place; }
  std::size_t stride() const { return stride_of(samples_); }
  std::size_t bytes() const { return 2 * frames_ * stride() * sizeof(Complex); }

  /// Row X (0) or Y (1) of a frame: an address on the device for kDevice.
  Complex* row(std::size_t frame, std::size_t polarisation) const {
    return memory_.samples.get() + (2 * frame + polarisation) * stride();
  }

  /// A frame as a field of its own. Throws std::logic_error for memory on a device.
  template <class Other = Real>
  Field<Other> field(std::size_t frame) const {
    if (memory_.place != MemoryPlace::kHost) throw std::logic_error("the batch lies in a device's memory");
    Field<Other> out(samples_, sample_rate_);
    for (std::size_t t = 0; t < samples_; ++t) {
      out.x[t] = std::complex<Other>(row(frame, 0)[t]);
      out.y[t] = std::complex<Other>(row(frame, 1)[t]);
    }
    return out;
  }

 private:
  static std::size_t stride_of(std::size_t samples) {
    constexpr std::size_t kLine = 64 / sizeof(Complex);
    return (samples + kLine - 1) / kLine * kLine;
  }
  static Memory host_memory(std::size_t count) {
    auto samples = std::make_shared<ComplexRow<Real>>(count);  // aligned as transforms want it
    return {std::shared_ptr<Complex[]>(samples, samples->data()), MemoryPlace::kHost};
  }

  std::size_t frames_, samples_;
  double sample_rate_;
  Memory memory_;
};

}  // namespace cohlink
