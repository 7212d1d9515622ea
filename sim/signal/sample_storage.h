// Memory for rows of samples.
#pragma once

#include <cstddef>

namespace cohlink {

/// Bytes aligned to a cache line, which is a full vector register: a measured FFT plan counts on the
/// alignment it was made with. From 2 MiB on they are aligned to huge pages and asked for as such, where the
/// system has them: a transform of some millions of samples strides over more small pages than a core
/// remembers, and thousands of them take time to get and to give back. Throws std::bad_alloc.
void* allocate_samples(std::size_t bytes);

/// Gives back what allocate_samples(bytes) gave.
void free_samples(void* samples, std::size_t bytes);

}  // namespace cohlink
