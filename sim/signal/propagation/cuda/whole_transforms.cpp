// Fields of any length, whole transforms by cuFFT and passes over memory for all else.
#include "sim/signal/propagation/cuda/whole_transforms.h"

#include "sim/signal/propagation/cuda/whole_fft.h"

namespace cohlink::cuda {
namespace {

template <class Real>
class WholeTransforms final : public Layout<Real> {
 public:
  WholeTransforms(int n, cudaStream_t stream)
      : transform_({n, 2, 2, 1}, sizeof(Real) == sizeof(float), stream), stream_(stream) {
    this->order_.n = n;
  }

  void enter(Sample<Real>*, int) override {}
  void leave(Sample<Real>*, int) override {}
  void kerr(Sample<Real>* fields, int links, Real turns_per_watt) override {
    cuda::kerr(FieldsOnDevice<Real>{fields, links, this->order_}, turns_per_watt, stream_);
  }
  void linear(Sample<Real>* fields, int links, RowPass<Real> pass) override {
    if (pass.forward) transform(fields, links, Transform::Direction::kForward);
    cuda::linear(FieldsOnDevice<Real>{fields, links, this->order_}, pass, stream_);
    if (pass.inverse) transform(fields, links, Transform::Direction::kInverse);
  }

 private:
  void transform(Sample<Real>* fields, int links, Transform::Direction direction) const {
    const auto n = static_cast<std::size_t>(this->order_.n);
    for (int link = 0; link < links; ++link)
      transform_(fields + static_cast<std::size_t>(link) * n, direction);
  }

  Transform transform_;  // of both polarisations, which lie interleaved
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
