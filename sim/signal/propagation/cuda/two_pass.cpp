#include "sim/signal/propagation/cuda/two_pass.h"

#include <bit>

#include "sim/signal/propagation/cuda/check.h"

namespace cohlink::cuda {
namespace {

int log2_of(int value) { return std::countr_zero(static_cast<unsigned>(value)); }

// Kernels of one length, as measured best on an H100: `few` where a device has multiprocessors to spare,
// `many` where memory traffic rules.
struct Choice {
  int rows, row_elements, columns, column_elements, together;
};
struct Choices {
  Choice few, many;
};

Choices choices(int log_n, bool single) {
  if (single) {
    switch (log_n) {
      case 12:
        return {{64, 8, 64, 8, 8}, {64, 8, 64, 8, 8}};
      case 13:
        return {{128, 8, 64, 8, 8}, {128, 8, 64, 8, 8}};
      case 14:
        return {{256, 8, 64, 8, 8}, {256, 8, 64, 8, 8}};
      case 15:
        return {{256, 8, 128, 8, 8}, {256, 16, 128, 8, 8}};
      case 16:
        return {{256, 8, 256, 8, 2}, {256, 16, 256, 16, 8}};
      case 17:
        return {{512, 8, 256, 8, 4}, {512, 16, 256, 16, 8}};
      case 18:
        return {{512, 8, 512, 8, 4}, {1024, 16, 256, 16, 8}};
      case 19:
        return {{2048, 16, 256, 16, 8}, {2048, 16, 256, 16, 8}};
      case 20:
        return {{4096, 16, 256, 16, 8}, {4096, 16, 256, 16, 8}};
      case 21:
        return {{4096, 16, 512, 16, 8}, {4096, 16, 512, 16, 8}};
      case 22:
        return {{4096, 16, 1024, 16, 4}, {4096, 16, 1024, 16, 4}};
      case 23:
        return {{4096, 16, 2048, 16, 4}, {4096, 16, 2048, 16, 4}};
      case 24:
        return {{4096, 16, 4096, 16, 2}, {4096, 16, 4096, 16, 2}};
      default:
        return {};
    }
  }
  if (log_n < 12 || log_n > 24) return {};
  const int columns = std::min(log_n / 2, 12);
  const Choice choice{1 << (log_n - columns), 8, 1 << columns, 8, 0};
  return {choice, choice};
}

Choice choose(int n, int links, bool single) {
  const Choices both = choices(log2_of(n), single);
  return static_cast<long>(n) * links >= 1L << 20 ? both.many : both.few;
}

// A kernel that may start its preamble while the one before it still runs.
void launch(const void* kernel, dim3 grid, const Form& form, const void* argument, cudaStream_t stream) {
  cudaLaunchAttribute early{};
  early.id = cudaLaunchAttributeProgrammaticStreamSerialization;
  early.val.programmaticStreamSerializationAllowed = 1;
  cudaLaunchConfig_t config{};
  config.gridDim = grid;
  config.blockDim = dim3(static_cast<unsigned>(form.threads));
  config.dynamicSmemBytes = form.shared;
  config.stream = stream;
  config.attrs = &early;
  config.numAttrs = 1;
  void* arguments[] = {const_cast<void*>(argument)};
  check(cudaLaunchKernelExC(&config, kernel, arguments));
}

void allow_shared_memory(const void* kernel, std::size_t bytes) {
  check(cudaFuncSetAttribute(kernel, cudaFuncAttributeMaxDynamicSharedMemorySize, static_cast<int>(bytes)));
}

template <class Real>
class TwoPassLayout final : public Layout<Real> {
 public:
  TwoPassLayout(int n, const Choice& choice, cudaStream_t stream)
      : rows_(row_form<Real>(choice.rows, choice.row_elements)),
        columns_(column_form<Real>(choice.columns, choice.column_elements, choice.together)),
        stream_(stream) {
    if (rows_.length == 0 || columns_.length == 0)
      throw DeviceError("CUDA device: no kernels for this length");
    this->order_ = {n, true, log2_of(columns_.length), columns_.log_e, log2_of(rows_.length), rows_.log_e};
    allow_shared_memory(rows_.kernel, rows_.shared);
    allow_shared_memory(columns_.kernel, columns_.shared);
    allow_shared_memory(columns_.ends, columns_.shared);
  }

  void enter(Sample<Real>* fields, int links) override { columns(columns_.ends, fields, links, false, 0); }
  void leave(Sample<Real>* fields, int links) override { columns(columns_.ends, fields, links, true, 0); }
  void kerr(Sample<Real>* fields, int links, Real turns_per_watt) override {
    columns(columns_.kernel, fields, links, false, turns_per_watt);
  }
  void linear(Sample<Real>* fields, int links, RowPass<Real> pass) override {
    pass.field = fields;
    pass.log_n1 = this->order_.log_n1;
    pass.log_e1 = this->order_.log_e1;
    launch(rows_.kernel, grid(columns_.length, rows_, links), rows_, &pass, stream_);
  }

 private:
  void columns(const void* kernel, Sample<Real>* fields, int links, bool leave, Real turns_per_watt) {
    const ColumnPass<Real> pass{fields, this->order_.log_n2, leave, turns_per_watt};
    launch(kernel, grid(rows_.length, columns_, links), columns_, &pass, stream_);
  }
  static dim3 grid(int transforms, const Form& form, int links) {
    return dim3(static_cast<unsigned>(transforms / form.together), static_cast<unsigned>(links));
  }

  Form rows_, columns_;
  cudaStream_t stream_;
};

}  // namespace

template <class Real>
std::unique_ptr<Layout<Real>> make_two_pass(int n, int links, cudaStream_t stream) {
  return std::make_unique<TwoPassLayout<Real>>(n, choose(n, links, sizeof(Real) == sizeof(float)), stream);
}

template std::unique_ptr<Layout<float>> make_two_pass<float>(int, int, cudaStream_t);
template std::unique_ptr<Layout<double>> make_two_pass<double>(int, int, cudaStream_t);

}  // namespace cohlink::cuda
