#include "sim/signal/sample_storage.h"

#include <sys/mman.h>

#include <new>

namespace cohlink {
namespace {

constexpr std::size_t kCacheLine = 64, kHugePage = std::size_t{2} << 20;

std::align_val_t alignment_of(std::size_t bytes) {
  return std::align_val_t{bytes < kHugePage ? kCacheLine : kHugePage};
}

}  // namespace

void* allocate_samples(std::size_t bytes) {
  void* const samples = ::operator new(bytes, alignment_of(bytes));
#ifdef MADV_HUGEPAGE
  if (bytes >= kHugePage) ::madvise(samples, bytes, MADV_HUGEPAGE);  // a wish: where it is refused, no harm
#endif
  return samples;
}

void free_samples(void* samples, std::size_t bytes) { ::operator delete(samples, alignment_of(bytes)); }

}  // namespace cohlink
