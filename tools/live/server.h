// The server of the live page: one scenario, several viewers, each with a run of its own.
#pragma once

#include <functional>
#include <string>

#include "tools/live/settings.h"

namespace cohlink::live {

struct Service {
  std::string address = "127.0.0.1";  // an IP address
  unsigned short port = 0;            // 0: any that is free
  std::size_t viewers = 8;            // at most, at a time
  Opening opening;
};

/// Serves until SIGINT or SIGTERM, whose number it returns. `ready` hears the page's address once it listens.
/// InputError for an address that cannot be listened at.
int serve(const Service& service, const std::function<void(const std::string& address)>& ready);

}  // namespace cohlink::live
