// What the fast engine asks of memory, counted at operator new, through which every field and table of ours
// is allocated (FFTW's own buffers, which are far smaller than a field, are not).
#include <doctest/doctest.h>
#include <malloc.h>

#include <atomic>
#include <cstdlib>
#include <new>

#include "sim/fibre/line.h"
#include "sim/signal/propagation/engine.h"
#include "sim/signal/propagation/program.h"
#include "tests/ffts.h"

namespace {

std::atomic<long> allocations{0}, live_bytes{0}, peak_bytes{0};

void* counted(std::size_t bytes, std::size_t alignment) {
  void* p = std::aligned_alloc(alignment, (bytes + alignment - 1) / alignment * alignment);
  if (p == nullptr) throw std::bad_alloc();
  ++allocations;
  const long live = live_bytes += static_cast<long>(malloc_usable_size(p));
  for (long peak = peak_bytes; live > peak && !peak_bytes.compare_exchange_weak(peak, live);) {
  }
  return p;
}

void discounted(void* p) noexcept {
  if (p != nullptr) live_bytes -= static_cast<long>(malloc_usable_size(p));
  std::free(p);
}

}  // namespace

void* operator new(std::size_t bytes) { return counted(bytes, alignof(std::max_align_t)); }
void* operator new(std::size_t bytes, std::align_val_t a) {
  return counted(bytes, static_cast<std::size_t>(a));
}
void operator delete(void* p) noexcept { discounted(p); }
void operator delete(void* p, std::size_t) noexcept { discounted(p); }
void operator delete(void* p, std::align_val_t) noexcept { discounted(p); }
void operator delete(void* p, std::size_t, std::align_val_t) noexcept { discounted(p); }

using namespace cohlink;
using test::ffts;

namespace {

template <class Real>
Field<Real> noise(std::size_t n) {
  Field<Real> field(n, 64e9);
  RandomStream random = RandomStreams(3).stream("noise");
  for (auto* row : field.rows()) {
    for (auto& a : *row) a = std::complex<Real>(0.02 * random.complex_normal());
  }
  return field;
}

PropagationPlan span_plan(StepLaw law, int steps, double tolerance) {
  LineParameters line;
  line.bandwidth = 35e9;
  line.steps.law = law;
  line.steps.steps_per_span = steps;
  line.steps.tolerance = tolerance;
  line.sections.resize(1);
  line.sections[0].span.pmd_coefficient = law == StepLaw::kLocalError ? 0.0 : 3e-15;
  line.sections[0].amplifier.ase = false;
  return plan_line(line, RandomStreams(1));
}

struct Cost {
  long allocations;    // of a run, less those of compiling its plan
  double peak_fields;  // the field itself included
  std::size_t steps;
};

template <class Real>
Cost cost_of(const PropagationPlan& plan, FieldLayout layout) {
  Field<Real> field = noise<Real>(16384);
  const FastEngine<Real> engine(ffts(), layout);
  engine(field, {}, RandomStreams(1));  // plans its FFTs
  Cost cost{};
  const long before = allocations;
  propagation_detail::compile(plan, field.size(), field.sample_rate);
  const long compiling = allocations - before;
  const long live = live_bytes;
  peak_bytes = live;
  cost.steps = engine(field, plan, RandomStreams(1)).steps;
  cost.allocations = allocations - before - 2 * compiling;
  const double bytes = 2.0 * 16384.0 * sizeof(std::complex<Real>);
  cost.peak_fields = 1.0 + static_cast<double>(peak_bytes - live) / bytes;
  return cost;
}

template <class Real>
void check_memory() {
  for (const FieldLayout layout : {FieldLayout::kNatural, FieldLayout::kTwoPass}) {
    for (const StepLaw law : {StepLaw::kLossMatched, StepLaw::kLocalError}) {
      const Cost few = cost_of<Real>(span_plan(law, 10, 1e-2), layout);
      const Cost many = cost_of<Real>(span_plan(law, 100, 1e-5), layout);
      CHECK(many.steps > 2 * few.steps);
      CHECK(many.allocations == few.allocations);
      // The field, the second copy that transforms from one place to another need, and the compiled plan,
      // which is small beside them.
      CHECK(few.peak_fields < 2.2);
      CHECK(many.peak_fields < 2.2);
    }
  }
}

}  // namespace

TEST_CASE("the step loop allocates nothing, and a run needs at most 2.2 times its field") {
  check_memory<float>();
  check_memory<double>();
}
