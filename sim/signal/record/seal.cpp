#include "sim/signal/record/seal.h"

#include <zlib.h>

#include <algorithm>
#include <array>
#include <cstdint>
#include <cstdio>
#include <cstring>
#include <fstream>
#include <vector>

namespace cohlink {
namespace {

constexpr std::string_view kMark = "\ncohlink seal 1 ";
constexpr std::size_t kDigits = 16 + 1 + 8 + 1;  // length, blank, check sum, line end
constexpr std::size_t kLength = kMark.size() + kDigits;

std::uint32_t extended(std::uint32_t sum, std::string_view bytes) {
  return static_cast<std::uint32_t>(
      crc32_z(sum, reinterpret_cast<const unsigned char*>(bytes.data()), bytes.size()));
}

std::string seal_text(std::uint64_t length, std::uint32_t sum) {
  std::array<char, kDigits + 1> digits;
  std::snprintf(digits.data(), digits.size(), "%016llx %08lx\n", static_cast<unsigned long long>(length),
                static_cast<unsigned long>(sum));
  return std::string(kMark) + digits.data();
}

}  // namespace

std::string seal_of(std::string_view content) { return seal_text(content.size(), extended(0, content)); }

std::string sealed_sum(const std::string& path) {
  std::ifstream file(path, std::ios::binary | std::ios::ate);
  const std::streamoff size = file.tellg();
  std::string stored(kLength, '\0');
  if (size < static_cast<std::streamoff>(kLength)) return "";
  file.seekg(size - static_cast<std::streamoff>(kLength));
  if (!file.read(stored.data(), static_cast<std::streamsize>(kLength)) || !stored.starts_with(kMark))
    return "";
  return stored.substr(kLength - 9, 8);
}

Seal seal_in(const std::string& path) {
  std::ifstream file(path, std::ios::binary | std::ios::ate);
  const std::streamoff size = file.tellg();
  if (size < static_cast<std::streamoff>(kLength)) return Seal::kNone;
  std::string stored(kLength, '\0');
  const auto content = static_cast<std::uint64_t>(size) - kLength;
  file.seekg(static_cast<std::streamoff>(content));
  file.read(stored.data(), static_cast<std::streamsize>(kLength));
  if (!file || !stored.starts_with(kMark)) return Seal::kNone;
  file.seekg(0);
  std::vector<char> block(std::min<std::uint64_t>(content, std::uint64_t{1} << 20));
  std::uint32_t sum = 0;
  for (std::uint64_t left = content; left > 0;) {
    const auto count = static_cast<std::size_t>(std::min<std::uint64_t>(left, block.size()));
    if (!file.read(block.data(), static_cast<std::streamsize>(count))) return Seal::kBroken;
    sum = extended(sum, {block.data(), count});
    left -= count;
  }
  return stored == seal_text(content, sum) ? Seal::kWhole : Seal::kBroken;
}

}  // namespace cohlink
