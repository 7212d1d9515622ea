#include "sim/signal/propagation/cuda/whole_fft.h"

#include <cufft.h>
#include <dlfcn.h>

#include <mutex>

#include "sim/signal/propagation/cuda/check.h"

namespace cohlink::cuda {
namespace {

struct Cufft {
  decltype(&cufftPlanMany) plan_many = nullptr;
  decltype(&cufftSetStream) set_stream = nullptr;
  decltype(&cufftExecC2C) single = nullptr;
  decltype(&cufftExecZ2Z) twice = nullptr;
  decltype(&cufftDestroy) destroy = nullptr;
};

template <class Function>
void find(void* library, const char* name, Function& function) {
  function = reinterpret_cast<Function>(dlsym(library, name));
  if (function == nullptr) throw DeviceError("CUDA device: cuFFT has no " + std::string(name));
}

const Cufft& cufft() {
  static const Cufft functions = [] {
    const std::string name = "libcufft.so." + std::to_string(CUFFT_VER_MAJOR);
    void* library = dlopen(name.c_str(), RTLD_NOW | RTLD_LOCAL);
    if (library == nullptr) throw DeviceError("CUDA device: this needs cuFFT, and " + name + " is not found");
    Cufft f;
    find(library, "cufftPlanMany", f.plan_many);
    find(library, "cufftSetStream", f.set_stream);
    find(library, "cufftExecC2C", f.single);
    find(library, "cufftExecZ2Z", f.twice);
    find(library, "cufftDestroy", f.destroy);
    return f;
  }();
  return functions;
}

void check_fft(cufftResult status) {
  if (status != CUFFT_SUCCESS) throw DeviceError("CUDA device: cuFFT error " + std::to_string(status));
}

// Held by whoever is inside the library. Each thread has plans and streams of its own, which should do; but
// with 64 threads at work cuFFT 12 broke down within seconds (internal errors, illegal accesses).
std::mutex& library() {
  static std::mutex mutex;
  return mutex;
}

}  // namespace

bool whole_fft_at_hand() {
  static const bool found = [] {
    try {
      cufft();
      return true;
    } catch (const DeviceError&) {
      return false;
    }
  }();
  return found;
}

Transform::Transform(const TransformShape& shape, bool single, cudaStream_t stream) : single_(single) {
  const std::lock_guard lock(library());
  int length[1] = {shape.n};
  check_fft(cufft().plan_many(&plan_, 1, length, length, shape.stride, shape.distance, length, shape.stride,
                              shape.distance, single ? CUFFT_C2C : CUFFT_Z2Z, shape.count));
  check_fft(cufft().set_stream(plan_, stream));
}

Transform::~Transform() {
  const std::lock_guard lock(library());
  cufft().destroy(plan_);
}

void Transform::operator()(void* data, Direction direction) const {
  const std::lock_guard lock(library());
  const int sign = direction == Direction::kForward ? CUFFT_FORWARD : CUFFT_INVERSE;
  if (single_) {
    auto* numbers = static_cast<cufftComplex*>(data);
    check_fft(cufft().single(plan_, numbers, numbers, sign));
  } else {
    auto* numbers = static_cast<cufftDoubleComplex*>(data);
    check_fft(cufft().twice(plan_, numbers, numbers, sign));
  }
}

}  // namespace cohlink::cuda
