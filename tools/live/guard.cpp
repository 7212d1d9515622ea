#include "tools/live/guard.h"

#include <array>
#include <random>

#include "tools/live/page.h"

namespace cohlink::live {
namespace {

std::string with_port(const std::string& host, unsigned short port) {
  const bool six = host.find(':') != std::string::npos;
  return (six ? "[" + host + "]" : host) + ":" + std::to_string(port);
}

bool host_is_ours(std::string_view host, const Door& door) {
  if (!door.loopback) return !host.empty();  // a machine has names that it does not know; the token decides
  for (const char* name : {"127.0.0.1", "localhost", "::1"})
    if (host == with_port(name, door.port)) return true;
  return host == with_port(door.host, door.port);
}

bool origin_is_ours(std::string_view origin, std::string_view host) {
  constexpr std::string_view kScheme = "http://";
  return origin.starts_with(kScheme) && origin.substr(kScheme.size()) == host;
}

// What follows "/TOKEN/"; nothing where that is not how the path begins.
bool take_token(std::string_view& path, const std::string& token) {
  if (path.empty() || path.front() != '/') return false;
  path.remove_prefix(1);
  const auto slash = path.find('/');
  const bool right = same_text(path.substr(0, slash), token);
  if (!right || slash == std::string_view::npos) return false;
  path.remove_prefix(slash + 1);
  return true;
}

}  // namespace

bool same_text(std::string_view a, std::string_view b) {
  unsigned different = a.size() == b.size() ? 0 : 1;
  for (std::size_t i = 0; i < a.size(); ++i)
    different |= static_cast<unsigned>(static_cast<unsigned char>(a[i]) ^
                                       static_cast<unsigned char>(b.empty() ? 0 : b[i % b.size()]));
  return different == 0;
}

std::string new_token() {
  std::random_device source;  // getrandom or /dev/urandom with libstdc++ on Linux
  constexpr std::array<char, 17> kDigits{"0123456789abcdef"};
  std::string token;
  for (int word = 0; word < 4; ++word)
    for (unsigned bits = source(), digit = 0; digit < 8; ++digit, bits >>= 4) token += kDigits[bits & 15u];
  return token;
}

Verdict judge(const Knock& knock, const Door& door) {
  if (!host_is_ours(knock.host, door)) return {403};
  if (!knock.origin.empty() && !origin_is_ours(knock.origin, knock.host)) return {403};
  std::string_view path = knock.target;
  if (!take_token(path, door.token)) return {404};
  if (knock.method != "GET" && knock.method != "HEAD") return {405};
  if (path == door.bench) {
    if (!knock.upgrade || knock.method != "GET") return {426};
    return knock.origin.empty() ? Verdict{403} : Verdict{0, {}, true};
  }
  if (knock.upgrade) return {404};
  const std::string name(path.empty() ? "index.html" : path);
  return find_page_file(name) == nullptr ? Verdict{404} : Verdict{0, name};
}

}  // namespace cohlink::live
