#include "tools/study/plan/fingerprint.h"

#include <cstdio>

namespace cohlink {
namespace {

// FNV-1a (Fowler, Noll and Vo) and, for a second half of its own, the finaliser of SplitMix64 over every
// byte.
constexpr std::uint64_t mixed(std::uint64_t z) {
  z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9u;
  z = (z ^ (z >> 27)) * 0x94d049bb133111ebu;
  return z ^ (z >> 31);
}

}  // namespace

Fingerprint fingerprint(std::string_view text) {
  Fingerprint print{0xcbf29ce484222325u, 0x9e3779b97f4a7c15u};
  for (const char c : text) {
    const auto byte = static_cast<unsigned char>(c);
    print.a = (print.a ^ byte) * 0x100000001b3u;
    print.b = mixed(print.b + byte + 0x9e3779b97f4a7c15u);
  }
  return print;
}

std::string Fingerprint::text() const {
  char digits[33];
  std::snprintf(digits, sizeof digits, "%016llx%016llx", static_cast<unsigned long long>(a),
                static_cast<unsigned long long>(b));
  return digits;
}

}  // namespace cohlink
