// Fields between the host, where numbers may be wider, and a worker's rows.
#pragma once

#include <array>
#include <complex>
#include <cstddef>
#include <span>

#include "sim/signal/propagation/cuda/worker.h"

namespace cohlink::cuda {

/// X and Y of a field on the host.
template <class Host>
using HostRows = std::array<std::complex<Host>*, 2>;

/// Complex numbers lie in memory as pairs (ISO C++, [complex.numbers]).
template <class To, class From>
void copy_numbers(To* to, const From* from, std::size_t count) {
  for (std::size_t i = 0; i < count; ++i) to[i] = static_cast<To>(from[i]);
}

/// Queues fields of n samples to the worker's rows (passage.h); queues their way back; and takes them, once
/// that was waited for.
template <class Real, class Host>
void send(Worker& worker, std::span<const HostRows<Host>> fields, std::size_t n) {
  const std::size_t count = 4 * fields.size() * n;
  Real* const locked = worker.host_rows.at_least<Real>(count);
  Real* to = locked;
  for (const HostRows<Host>& field : fields) {
    for (const std::complex<Host>* row : field) {
      copy_numbers(to, reinterpret_cast<const Host*>(row), 2 * n);
      to += 2 * n;
    }
  }
  check(cudaMemcpyAsync(worker.rows.at_least<Real>(count), locked, count * sizeof(Real),
                        cudaMemcpyHostToDevice, worker.stream()));
}
template <class Real>
void queue_fetch(Worker& worker, std::size_t links, std::size_t n) {
  const std::size_t count = 4 * links * n;
  check(cudaMemcpyAsync(worker.host_rows.at_least<Real>(count), worker.rows.at_least<Real>(count),
                        count * sizeof(Real), cudaMemcpyDeviceToHost, worker.stream()));
}
template <class Real, class Host>
void fetch(Worker& worker, std::span<const HostRows<Host>> fields, std::size_t n) {
  const Real* from = worker.host_rows.at_least<Real>(4 * fields.size() * n);
  for (const HostRows<Host>& field : fields) {
    for (std::complex<Host>* row : field) {
      copy_numbers(reinterpret_cast<Host*>(row), from, 2 * n);
      from += 2 * n;
    }
  }
}

}  // namespace cohlink::cuda
