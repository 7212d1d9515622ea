#include "sim/signal/propagation/cuda/two_pass.h"

#include <bit>
#include <cmath>
#include <iterator>
#include <numbers>

#include "sim/signal/propagation/cuda/check.h"

namespace cohlink::cuda {
namespace {

int log2_of(int value) { return std::countr_zero(static_cast<unsigned>(value)); }

// Kernels of one length, as measured best on an H200.
struct Choice {
  Purpose purpose;
  int rows, row_elements, columns, column_elements;
};
constexpr auto kFew = Purpose::kFewLinks, kMany = Purpose::kManyLinks;

// Of lengths from 2^12 on, where a device has multiprocessors to spare ...
constexpr Choice kSingleFew[] = {
    {kFew, 64, 4, 64, 4},        {kFew, 128, 4, 64, 4},       {kFew, 256, 8, 64, 4},
    {kFew, 256, 8, 128, 8},      {kFew, 512, 8, 128, 8},      {kFew, 512, 8, 256, 16},
    {kFew, 512, 8, 512, 8},      {kFew, 2048, 16, 256, 16},   {kMany, 4096, 16, 256, 16},
    {kMany, 2048, 16, 1024, 16}, {kMany, 4096, 16, 1024, 16}, {kMany, 4096, 16, 2048, 16},
    {kMany, 4096, 16, 4096, 16}};
constexpr Choice kDoubleFew[] = {
    {kFew, 64, 4, 64, 4},        {kFew, 128, 4, 64, 4},       {kFew, 256, 4, 64, 4},
    {kFew, 256, 4, 128, 4},      {kFew, 512, 8, 128, 8},      {kFew, 512, 8, 256, 8},
    {kFew, 512, 8, 512, 8},      {kMany, 2048, 16, 256, 16},  {kMany, 2048, 16, 512, 8},
    {kMany, 2048, 16, 1024, 16}, {kMany, 2048, 16, 2048, 16}, {kMany, 4096, 16, 2048, 16},
    {kMany, 4096, 16, 4096, 16}};
// ... and where all are busy; longer ones are as above.
constexpr Choice kSingleMany[] = {
    {kMany, 64, 8, 64, 8},    {kMany, 128, 8, 64, 8},   {kMany, 256, 8, 64, 8},    {kMany, 512, 8, 64, 8},
    {kMany, 256, 8, 256, 16}, {kMany, 512, 8, 256, 16}, {kMany, 1024, 8, 256, 16}, {kMany, 2048, 8, 256, 16}};
constexpr Choice kDoubleMany[] = {{kMany, 64, 8, 64, 8},      {kMany, 128, 8, 64, 8},
                                  {kMany, 256, 16, 64, 8},    {kMany, 512, 8, 64, 8},
                                  {kMany, 256, 16, 256, 16},  {kMany, 512, 8, 256, 16},
                                  {kMany, 1024, 16, 256, 16}, {kMany, 2048, 16, 256, 16}};

template <class Real>
Choice choose(int n, int links) {
  constexpr bool kSingle = sizeof(Real) == sizeof(float);
  constexpr std::size_t kBusy = std::size_t{16} << 20;  // bytes
  const auto i = static_cast<std::size_t>(log2_of(n) - 12);
  const bool many = static_cast<std::size_t>(n) * links * sizeof(Sample<Real>) >= kBusy;
  if (many && i < std::size(kSingleMany)) return kSingle ? kSingleMany[i] : kDoubleMany[i];
  return kSingle ? kSingleFew[i] : kDoubleFew[i];
}

int attribute(cudaDeviceAttr which) {
  int device = 0, value = 0;
  check(cudaGetDevice(&device));
  check(cudaDeviceGetAttribute(&value, which, device));
  return value;
}

// A field that is little larger than the second-level cache drives itself out of it: most of it is read and
// written as passing through, so that the rest is found there again. On an H200 a third is
// best, and spares 2 to 3 % of a step.
struct CachePolicy {
  explicit CachePolicy(std::size_t field_bytes) {
    const auto cache_bytes = static_cast<std::size_t>(attribute(cudaDevAttrL2CacheSize));
    if (field_bytes > cache_bytes && field_bytes < 2 * cache_bytes) bytes = field_bytes;
  }
  cudaAccessPolicyWindow window(void* fields) const {
    return {fields, bytes, 0.33f, cudaAccessPropertyNormal, cudaAccessPropertyStreaming};
  }
  std::size_t bytes = 0;  ///< 0: as it comes
};

struct Launch {
  const void* kernel;
  dim3 grid;
  const Form& form;
  const void* argument;
  void* fields;
};

// A kernel that may start its preamble while the one before it still runs.
void queue(const Launch& launch, const CachePolicy& policy, cudaStream_t stream) {
  cudaLaunchAttribute attributes[2] = {};
  attributes[0].id = cudaLaunchAttributeProgrammaticStreamSerialization;
  attributes[0].val.programmaticStreamSerializationAllowed = 1;
  attributes[1].id = cudaLaunchAttributeAccessPolicyWindow;
  attributes[1].val.accessPolicyWindow = policy.window(launch.fields);
  cudaLaunchConfig_t config{};
  config.gridDim = launch.grid;
  config.blockDim = dim3(static_cast<unsigned>(launch.form.threads));
  config.dynamicSmemBytes = launch.form.shared;
  config.stream = stream;
  config.attrs = attributes;
  config.numAttrs = policy.bytes > 0 ? 2 : 1;
  void* arguments[] = {const_cast<void*>(launch.argument)};
  check(cudaLaunchKernelExC(&config, launch.kernel, arguments));
}

void allow_shared_memory(const void* kernel, std::size_t bytes) {
  check(cudaFuncSetAttribute(kernel, cudaFuncAttributeMaxDynamicSharedMemorySize, static_cast<int>(bytes)));
}

template <class Real>
class TwoPassLayout final : public Layout<Real> {
 public:
  TwoPassLayout(int n, const Choice& choice, cudaStream_t stream)
      : rows_(row_form<Real>(choice.purpose, choice.rows, choice.row_elements)),
        columns_(column_form<Real>(choice.purpose, choice.columns, choice.column_elements)),
        policy_(static_cast<std::size_t>(n) * sizeof(Sample<Real>)),
        processors_(attribute(cudaDevAttrMultiProcessorCount)),
        stream_(stream) {
    if (rows_.length == 0 || columns_.length == 0)
      throw DeviceError("CUDA device: no kernels for this length");
    this->order_ = {n, true, log2_of(columns_.length), columns_.log_e, log2_of(rows_.length), rows_.log_e};
    allow_shared_memory(rows_.plain, rows_.shared);
    allow_shared_memory(rows_.kernel, rows_.shared);
    allow_shared_memory(rows_.ends, rows_.shared);
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
    turn_parts(pass);
    const dim3 blocks = grid(columns_.length, rows_, links);
    pass.stagger = stagger_of(rows_, blocks);
    // Where blocks take turns, phases that are ready are worth more than fewer instructions.
    const bool plain = pass.sections == 0 && pass.stagger == 0;
    const void* kernel = !(pass.forward && pass.inverse) ? rows_.ends : plain ? rows_.plain : rows_.kernel;
    queue({kernel, blocks, rows_, &pass, fields}, policy_, stream_);
  }

 private:
  // What all threads have in common of the sections' phases at bins k = first + part.
  void turn_parts(RowPass<Real>& pass) const {
    for (int i = 0; i < pass.sections; ++i) {
      Section<Real>& section = pass.section[i];
      for (int e = 0; e < 1 << rows_.log_e; ++e) {
        const double turns = std::ldexp(rows_.part[e], pass.log_n1) * section.turns;
        const double angle = 2.0 * std::numbers::pi * std::remainder(turns, 1.0);
        section.of_part[e] = {static_cast<Real>(std::cos(angle)), static_cast<Real>(std::sin(angle))};
      }
    }
  }
  void columns(const void* kernel, Sample<Real>* fields, int links, bool leave, Real turns_per_watt) {
    const dim3 blocks = grid(rows_.length, columns_, links);
    const ColumnPass<Real> pass{fields, this->order_.log_n2, leave, turns_per_watt,
                                stagger_of(columns_, blocks)};
    queue({kernel, blocks, columns_, &pass, fields}, policy_, stream_);
  }
  // Of one link that fills the device once (passes.cuh, take_turns). Several links take turns by themselves;
  // in double precision, which computes longer than it reads, turns gain nothing.
  int stagger_of(const Form& form, dim3 blocks) const {
    constexpr int kCycles = 3000;  // on an H200 1200 to 3000 are alike, 3600 gains nothing
    const int count = static_cast<int>(blocks.x);
    const bool once = blocks.y == 1 && count > processors_ && count <= processors_ * form.resident;
    return once && sizeof(Real) == sizeof(float) ? kCycles / form.resident : 0;
  }
  static dim3 grid(int transforms, const Form& form, int links) {
    return dim3(static_cast<unsigned>(transforms / form.together), static_cast<unsigned>(links));
  }

  Form rows_, columns_;
  CachePolicy policy_;
  int processors_;
  cudaStream_t stream_;
};

}  // namespace

template <class Real>
std::unique_ptr<Layout<Real>> make_two_pass(int n, int links, cudaStream_t stream) {
  return std::make_unique<TwoPassLayout<Real>>(n, choose<Real>(n, links), stream);
}

template std::unique_ptr<Layout<float>> make_two_pass<float>(int, int, cudaStream_t);
template std::unique_ptr<Layout<double>> make_two_pass<double>(int, int, cudaStream_t);

}  // namespace cohlink::cuda
