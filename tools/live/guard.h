// Who may come in: every request is judged here before anything is read from it or sent back.
#pragma once

#include <cstddef>
#include <string>
#include <string_view>

namespace cohlink::live {

/// What a request says of itself; "" where it says nothing.
struct Knock {
  std::string_view method, target, host, origin;
  bool upgrade = false;  // to a WebSocket
};

/// Whom the door knows.
struct Door {
  std::string token;  // in every address that is served
  std::string host;   // as bound: "127.0.0.1", "::1", "0.0.0.0" ...
  unsigned short port = 0;
  bool loopback = true;              // then names of this machine alone are taken as Host
  std::string_view bench = "bench";  // the last part of the WebSocket's address
};

/// What a request gets: a page's file by name, the bench (a WebSocket), or a refusal by its HTTP status.
struct Verdict {
  unsigned refused = 0;   // 0: let in
  std::string file = {};  // "index.html"; empty with `bench`
  bool bench = false;
};

/// Rules, in this order: Host names the address that was bound, so that no foreign name can be led here (DNS
/// rebinding); Origin, where there is one, is that of our own page, and a WebSocket must have one (RFC 6455
/// section 10.2); the path begins with the token, compared in constant time; the rest is the name of a file
/// of the page and no more; GET and HEAD alone.
Verdict judge(const Knock& knock, const Door& door);

/// 128 random bits of the operating system, in hexadecimal.
std::string new_token();

/// Whether two texts are the same, in a time that tells nothing of where they differ.
bool same_text(std::string_view a, std::string_view b);

// Bounds of what a stranger may send or hold.
inline constexpr std::size_t kMostHeaderBytes = 8192, kMostMessageBytes = 16384, kMostConnections = 64;

}  // namespace cohlink::live
