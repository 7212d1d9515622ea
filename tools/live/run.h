// The run of one viewer: a thread that makes rounds as fast as the viewer takes them, and never ahead of
// that.
#pragma once

#include <atomic>
#include <chrono>
#include <condition_variable>
#include <functional>
#include <mutex>
#include <optional>
#include <string>
#include <thread>

#include "sim/signal/execution/execution.h"
#include "tools/live/settings.h"

namespace cohlink::live {

class Run {
 public:
  /// Hears of every round as bytes (packet.h), and of what stands in its way or how far it is as JSON text.
  /// Called from the run's thread.
  struct Listener {
    std::function<void(std::string round)> round;
    std::function<void(std::string text)> remark;
  };

  Run(FftCache ffts, Listener listener);
  /// Stops the round at hand and waits for its end.
  ~Run();
  Run(const Run&) = delete;
  Run& operator=(const Run&) = delete;

  /// Another bench, known to the page by `version`. A round that has gone on for longer than a moment is
  /// given up for it.
  void want(const Scenario& scenario, std::uint64_t version);
  /// From the next round on; while the run is held, that round is made at once.
  void look(const Look& look);
  /// The page has drawn the round before: one more may be sent.
  void acknowledge();
  void hold(bool held);
  /// Rounds counted since the bench was set.
  std::uint64_t counted() const { return counted_; }
  /// Ends it, without waiting; `end` waits, and is for another thread than the run's.
  void stop();
  void end();
  bool ended() const { return ended_; }

 private:
  struct Order {
    Scenario scenario;
    std::uint64_t version;
  };
  using Clock = std::chrono::steady_clock;

  void work();
  void serve(const Order& order);
  bool may_begin(std::uint64_t version);
  bool may_send(std::uint64_t version);
  void heard(double share);
  void tell_fault(std::uint64_t version, const std::string& key, const std::string& text);

  FftCache ffts_;
  Listener listener_;
  std::mutex mutex_;
  std::condition_variable changed_;
  std::optional<Order> wanted_;
  Look look_;
  std::uint64_t newest_ = 0;  // version
  bool drawn_ = true;         // the last round that was sent
  bool held_ = false, once_ = false;
  std::atomic<bool> stopped_ = false, ended_ = false;
  std::atomic<std::uint64_t> counted_ = 0;
  std::optional<Execution> execution_;  // of the rounds at hand
  Clock::time_point wanted_at_, told_at_;
  double done_ = 0.0;   // of the round at hand
  std::thread thread_;  // last: it uses all above
};

}  // namespace cohlink::live
