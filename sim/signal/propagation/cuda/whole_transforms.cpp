// Fields of any length, whole transforms by cuFFT and passes over memory for all else. The library is loaded
// when it is first wanted: it is large, and every start of the program would pay for it.
#include "sim/signal/propagation/cuda/whole_transforms.h"

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
    if (library == nullptr)
      throw DeviceError("CUDA device: fields of this length need cuFFT, and " + name + " is not found");
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

// Both polarisations of one link, which lie interleaved.
class Transform {
 public:
  Transform(int n, bool single, cudaStream_t stream) {
    const std::lock_guard lock(library());
    int length[1] = {n};
    check_fft(
        cufft().plan_many(&plan_, 1, length, length, 2, 1, length, 2, 1, single ? CUFFT_C2C : CUFFT_Z2Z, 2));
    check_fft(cufft().set_stream(plan_, stream));
  }
  ~Transform() {
    const std::lock_guard lock(library());
    cufft().destroy(plan_);
  }
  Transform(const Transform&) = delete;
  Transform& operator=(const Transform&) = delete;

  void operator()(Sample<float>* field, int direction) const {
    const std::lock_guard lock(library());
    auto* data = reinterpret_cast<cufftComplex*>(field);
    check_fft(cufft().single(plan_, data, data, direction));
  }
  void operator()(Sample<double>* field, int direction) const {
    const std::lock_guard lock(library());
    auto* data = reinterpret_cast<cufftDoubleComplex*>(field);
    check_fft(cufft().twice(plan_, data, data, direction));
  }

 private:
  cufftHandle plan_{};
};

template <class Real>
class WholeTransforms final : public Layout<Real> {
 public:
  WholeTransforms(int n, cudaStream_t stream)
      : transform_(n, sizeof(Real) == sizeof(float), stream), stream_(stream) {
    this->order_.n = n;
  }

  void enter(Sample<Real>*, int) override {}
  void leave(Sample<Real>*, int) override {}
  void kerr(Sample<Real>* fields, int links, Real turns_per_watt) override {
    cuda::kerr(FieldsOnDevice<Real>{fields, links, this->order_}, turns_per_watt, stream_);
  }
  void linear(Sample<Real>* fields, int links, RowPass<Real> pass) override {
    if (pass.forward) transform(fields, links, CUFFT_FORWARD);
    cuda::linear(FieldsOnDevice<Real>{fields, links, this->order_}, pass, stream_);
    if (pass.inverse) transform(fields, links, CUFFT_INVERSE);
  }

 private:
  void transform(Sample<Real>* fields, int links, int direction) const {
    const auto n = static_cast<std::size_t>(this->order_.n);
    for (int link = 0; link < links; ++link)
      transform_(fields + static_cast<std::size_t>(link) * n, direction);
  }

  Transform transform_;
  cudaStream_t stream_;
};

}  // namespace

template <class Real>
std::unique_ptr<Layout<Real>> make_whole_transforms(int n, cudaStream_t stream) {
  return std::make_unique<WholeTransforms<Real>>(n, stream);
}

template std::unique_ptr<Layout<float>> make_whole_transforms<float>(int, cudaStream_t);
template std::unique_ptr<Layout<double>> make_whole_transforms<double>(int, cudaStream_t);

}  // namespace cohlink::cuda
