#include "sim/signal/execution/fft.h"

#include <fftw3.h>
#include <unistd.h>

#include <array>
#include <bit>
#include <cstdint>
#include <cstdlib>
#include <filesystem>
#include <map>
#include <mutex>
#include <stdexcept>

#include "sim/signal/random.h"

namespace cohlink {
namespace {

// Recursive: a cache holds it while it plans from a wisdom file, and planning takes it too.
std::recursive_mutex& planner_mutex() {
  static std::recursive_mutex mutex;
  return mutex;
}

unsigned planner_flag(FftPlanning planning) {
  return planning == FftPlanning::kMeasure ? FFTW_MEASURE : FFTW_ESTIMATE;
}

// One name for both of FFTW's libraries, so that the classes above are written once.
template <class Real>
struct Fftw;
template <>
struct Fftw<double> {
  using Plan = fftw_plan;
  using Complex = fftw_complex;
  static constexpr auto plan = fftw_plan_dft_1d;
  static constexpr auto execute = fftw_execute_dft;
  static constexpr auto destroy = fftw_destroy_plan;
  static constexpr auto import_wisdom = fftw_import_wisdom_from_filename;
  static constexpr auto export_wisdom = fftw_export_wisdom_to_filename;
  static constexpr auto forget_wisdom = fftw_forget_wisdom;
  static constexpr const char* name = "double";
};
template <>
struct Fftw<float> {
  using Plan = fftwf_plan;
  using Complex = fftwf_complex;
  static constexpr auto plan = fftwf_plan_dft_1d;
  static constexpr auto execute = fftwf_execute_dft;
  static constexpr auto destroy = fftwf_destroy_plan;
  static constexpr auto import_wisdom = fftwf_import_wisdom_from_filename;
  static constexpr auto export_wisdom = fftwf_export_wisdom_to_filename;
  static constexpr auto forget_wisdom = fftwf_forget_wisdom;
  static constexpr const char* name = "single";
};

template <class Real>
typename Fftw<Real>::Complex* as_fftw(std::complex<Real>* data) {
  return reinterpret_cast<typename Fftw<Real>::Complex*>(data);
}

// Every plan has a wisdom file of its own, and is always made from that file alone, also the first time. In
// one common file a length planned later may change what an earlier one is built from, and then the next
// process would round differently from the one that wrote it.
template <class Real>
std::string wisdom_path(const std::string& folder, std::size_t n) {
  return folder + "/fftw-" + Fftw<Real>::name + "-" + std::to_string(n) + ".wisdom";
}

// Written beside and linked into place: of several processes that measure at the same time the first to link
// decides for all, and what another process has read never changes.
template <class Real>
void save_wisdom(const std::string& path) {
  std::error_code ignored;
  std::filesystem::create_directories(std::filesystem::path(path).parent_path(), ignored);
  const std::string beside = path + "." + std::to_string(getpid());
  if (Fftw<Real>::export_wisdom(beside.c_str()) != 0)
    std::filesystem::create_hard_link(beside, path, ignored);
  std::filesystem::remove(beside, ignored);
}

// The plan pair as its wisdom file has it; measured first where there is none. A plan that cannot be kept is
// estimated: slower, but the next process makes the same.
template <class Real>
std::unique_ptr<Fft<Real>> plan_from_wisdom(const std::string& folder, std::size_t n) {
  const std::string path = wisdom_path<Real>(folder, n);
  const FftPlannerLock lock;
  const auto make = [&](FftPlanning planning) { return std::make_unique<Fft<Real>>(n, planning); };
  const auto kept = [&] {
    Fftw<Real>::forget_wisdom();
    return Fftw<Real>::import_wisdom(path.c_str()) != 0;
  };
  std::error_code ignored;
  const bool there = std::filesystem::exists(path, ignored);
  if (kept()) return make(FftPlanning::kMeasure);
  if (there) std::filesystem::remove(path, ignored);  // damaged
  make(FftPlanning::kMeasure);                        // leaves its wisdom in FFTW
  save_wisdom<Real>(path);
  return make(kept() ? FftPlanning::kMeasure : FftPlanning::kEstimate);
}

}  // namespace

FftPlannerLock::FftPlannerLock() { planner_mutex().lock(); }
FftPlannerLock::~FftPlannerLock() { planner_mutex().unlock(); }

template <class Real>
struct Fft<Real>::Plans {
  typename Fftw<Real>::Plan forward = nullptr, inverse = nullptr;
  ~Plans() {
    FftPlannerLock lock;
    if (forward != nullptr) Fftw<Real>::destroy(forward);
    if (inverse != nullptr) Fftw<Real>::destroy(inverse);
  }
};

template <class Real>
Fft<Real>::Fft(std::size_t n, FftPlanning planning) : n_(n), plans_(std::make_unique<Plans>()) {
  if (n == 0) throw std::invalid_argument("FFT of length 0");
  ComplexRow<Real> scratch(n);  // measuring overwrites it
  auto* data = as_fftw(scratch.data());
  FftPlannerLock lock;
  const auto plan = [&](int sign) {
    return Fftw<Real>::plan(static_cast<int>(n), data, data, sign, planner_flag(planning));
  };
  plans_->forward = plan(FFTW_FORWARD);
  plans_->inverse = plan(FFTW_BACKWARD);
  if (plans_->forward == nullptr || plans_->inverse == nullptr)
    throw std::runtime_error("FFTW could not plan");
}

template <class Real>
Fft<Real>::~Fft() = default;

template <class Real>
void Fft<Real>::forward(std::complex<Real>* data) const {
  Fftw<Real>::execute(plans_->forward, as_fftw(data), as_fftw(data));
}

template <class Real>
void Fft<Real>::inverse(std::complex<Real>* data) const {
  Fftw<Real>::execute(plans_->inverse, as_fftw(data), as_fftw(data));
}

namespace {

// Both directions of a fixed noise row, by FNV-1a over the bytes.
template <class Real>
std::string rounding_of(const Fft<Real>& fft) {
  ComplexRow<Real> row(fft.size());
  RandomStream(fft.size()).fill_noise(0, 1.0, std::span(row));
  fft.forward(row);
  std::uint64_t hash = 0xcbf29ce484222325u;
  for (int direction = 0; direction < 2; ++direction) {
    for (const auto& a : row)
      for (const Real part : {a.real(), a.imag()})
        for (const unsigned char byte : std::bit_cast<std::array<unsigned char, sizeof(Real)>>(part))
          hash = (hash ^ byte) * 0x100000001b3u;
    fft.inverse(row);
  }
  return "FFT " + std::string(Fftw<Real>::name) + " " + std::to_string(fft.size()) + ": " +
         std::to_string(hash) + "\n";
}

}  // namespace

struct FftCache::Store {
  FftPlanning planning;
  std::string wisdom_folder;
  std::mutex mutex;
  std::map<std::size_t, std::unique_ptr<Fft<double>>> double_plans;
  std::map<std::size_t, std::unique_ptr<Fft<float>>> single_plans;
  bool wisdom() const { return planning == FftPlanning::kMeasure && !wisdom_folder.empty(); }
  template <class Real>
  auto& plans() {
    if constexpr (std::is_same_v<Real, double>)
      return double_plans;
    else
      return single_plans;
  }
};

FftCache::FftCache(FftPlanning planning, std::string wisdom_folder) : store_(std::make_shared<Store>()) {
  store_->planning = planning;
  store_->wisdom_folder = std::move(wisdom_folder);
}

template <class Real>
const Fft<Real>& FftCache::get(std::size_t n) const {
  std::lock_guard guard(store_->mutex);
  auto& slot = store_->plans<Real>()[n];
  if (slot == nullptr) {
    slot = store_->wisdom() ? plan_from_wisdom<Real>(store_->wisdom_folder, n)
                            : std::make_unique<Fft<Real>>(n, store_->planning);
  }
  return *slot;
}

std::string FftCache::roundings() const {
  std::lock_guard guard(store_->mutex);
  std::string text;
  const auto add = [&](const auto& plans) {
    for (const auto& [n, fft] : plans) text += rounding_of(*fft);
  };
  add(store_->double_plans);
  add(store_->single_plans);
  return text;
}

std::string FftCache::default_wisdom_folder() {
  const auto variable = [](const char* name) {
    const char* value = std::getenv(name);
    return std::string(value == nullptr ? "" : value);
  };
  if (variable("COHLINK_WISDOM") == "off") return "";
  if (!variable("XDG_CACHE_HOME").empty()) return variable("XDG_CACHE_HOME") + "/cohlink";
  if (!variable("HOME").empty()) return variable("HOME") + "/.cache/cohlink";
  return "";
}

template class Fft<double>;
template class Fft<float>;
template const Fft<double>& FftCache::get<double>(std::size_t) const;
template const Fft<float>& FftCache::get<float>(std::size_t) const;

}  // namespace cohlink
