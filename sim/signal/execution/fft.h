// FFT plans over FFTW (M. Frigo and S. G. Johnson, Proc. IEEE 93(2) 216, 2005): made once per (length,
// precision, direction, batch), shared by all threads.
#pragma once

#include <complex>
#include <cstddef>
#include <memory>
#include <string>

#include "sim/signal/field.h"

namespace cohlink {

/// How hard FFTW searches for a plan. Measured plans are faster (about 1.7x at 2^16) but may differ in
/// the last bit from one planning to the next; wisdom kept in the user's cache folder makes a machine
/// repeat itself.
enum class FftPlanning { kEstimate, kMeasure };

/// In-place complex FFTs of one length. Neither direction scales: inverse(forward(x)) = n x.
/// forward uses exp(-i w t). Arrays must come from AlignedVector. Thread-safe to call.
template <class Real>
class Fft {
 public:
  /// Plans both directions.
  Fft(std::size_t n, FftPlanning planning);
  ~Fft();
  Fft(const Fft&) = delete;
  Fft& operator=(const Fft&) = delete;

  std::size_t size() const { return n_; }
  void forward(std::complex<Real>* data) const;
  void inverse(std::complex<Real>* data) const;
  void forward(ComplexRow<Real>& row) const { forward(row.data()); }
  void inverse(ComplexRow<Real>& row) const { inverse(row.data()); }

 private:
  struct Plans;
  std::size_t n_;
  std::unique_ptr<Plans> plans_;
};

/// Plans in store. Copies share the store, and keep it: whatever transforms holds one. Planning is serialised
/// by a mutex that all stores share (FFTW's planner is global), execution is free of locks.
///
/// Measured planning loads wisdom from, and saves it to, `wisdom_folder` ($XDG_CACHE_HOME/cohlink or
/// ~/.cache/cohlink by default; the environment variable COHLINK_WISDOM=off, or an empty folder name,
/// opts out). Where the folder cannot be written, plans are estimated, so that the next process makes the
/// same.
class FftCache {
 public:
  explicit FftCache(FftPlanning planning = FftPlanning::kMeasure,
                    std::string wisdom_folder = default_wisdom_folder());

  /// The plan pair for length n (made on first use); the reference stays valid as long as any copy.
  template <class Real>
  const Fft<Real>& get(std::size_t n) const;

  /// A line a plan, "FFT double 4096: <hash>", of what it makes of a fixed row: plans of equal hashes round
  /// alike.
  std::string roundings() const;

  static std::string default_wisdom_folder();

 private:
  struct Store;
  std::shared_ptr<Store> store_;
};

/// The mutex that guards FFTW's planner, for code that plans on its own.
class FftPlannerLock {
 public:
  FftPlannerLock();
  ~FftPlannerLock();
  FftPlannerLock(const FftPlannerLock&) = delete;
  FftPlannerLock& operator=(const FftPlannerLock&) = delete;
};

}  // namespace cohlink
