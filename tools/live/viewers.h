// Viewers and their sessions: what a page says is taken here, what it gets is made here. No network.
#pragma once

#include <list>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "sim/signal/execution/fft.h"
#include "tools/live/run.h"
#include "tools/live/settings.h"

namespace cohlink::live {

enum class Kind { kHello, kState, kReply, kFault, kProgress, kRound };
inline constexpr std::size_t kKinds = 6;

struct Message {
  Kind kind = Kind::kState;
  std::string bytes;
  bool binary = false;
};

/// At most one message of each kind: a newer one takes the place of one that was not sent yet, so that a slow
/// viewer gets fewer and no queue grows.
class Outbox {
 public:
  void put(Message message);
  bool empty() const;
  /// The first in the order of Kind.
  Message take();

 private:
  std::optional<Message> waiting_[kKinds];
};

/// Where messages go; thread-safe, and owner of nothing that a run could end up destroying.
class Viewer {
 public:
  virtual ~Viewer() = default;
  virtual void post(Message message) = 0;
};

/// What one viewer does, on the server's thread.
class Session {
 public:
  Session(const Opening& opening, const FftCache& ffts, std::shared_ptr<Viewer> viewer);
  /// A message of the page: {"ack": true}, {"hold": B}, {"look": {"block": N, "all": B}}, {"save": true}, or
  /// what Settings::apply takes. False for what is no message of ours at all.
  bool take(const std::string& message);
  Run& run() { return run_; }

 private:
  bool control(const nlohmann::json& request);
  void change(const nlohmann::json& request);
  void post(Kind kind, const nlohmann::json& message);
  void tell_state(const nlohmann::json& error);

  std::shared_ptr<Viewer> viewer_;
  Settings settings_;
  std::uint64_t version_ = 0;
  Run run_;
};

/// All of them, so many at a time; with those that have left and whose last round has not ended yet.
class Viewers {
 public:
  Viewers(Opening opening, std::size_t most);
  /// Null where no seat is free.
  std::shared_ptr<Session> admit(std::shared_ptr<Viewer> viewer);
  void dismiss(const std::shared_ptr<Session>& session);
  /// Waits until all have ended.
  void dismiss_all();

 private:
  void forget_ended();
  Opening opening_;
  std::size_t most_;
  FftCache ffts_;
  std::list<std::shared_ptr<Session>> seated_, leaving_;
};

}  // namespace cohlink::live
