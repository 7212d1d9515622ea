#include "tools/live/run.h"

#include <nlohmann/json.hpp>

#include "sim/signal/scenario/errors.h"
#include "tools/live/round.h"

namespace cohlink::live {
namespace {

using namespace std::chrono_literals;

constexpr auto kPatience = 250ms;      // with a round of a bench that nobody wants any more
constexpr auto kTellEvery = 200ms;     // how far a long round is
constexpr double kStepsOfRound = 2.0;  // light, then receiver: shares of each add up to 1

}  // namespace

Run::Run(FftCache ffts, Listener listener)
    : ffts_(std::move(ffts)), listener_(std::move(listener)), thread_([this] { work(); }) {}

Run::~Run() { end(); }

void Run::end() {
  stop();
  if (thread_.joinable()) thread_.join();
}

void Run::stop() {
  const std::lock_guard lock(mutex_);
  stopped_ = true;
  if (execution_) execution_->stop();
  changed_.notify_all();
}

void Run::want(const Scenario& scenario, std::uint64_t version) {
  const std::lock_guard lock(mutex_);
  wanted_ = Order{scenario, version};
  newest_ = version;
  counted_ = 0;
  wanted_at_ = Clock::now();
  once_ = true;
  changed_.notify_all();
}

void Run::look(const Look& look) {
  const std::lock_guard lock(mutex_);
  look_ = look;
  once_ = true;
  changed_.notify_all();
}

void Run::acknowledge() {
  const std::lock_guard lock(mutex_);
  drawn_ = true;
  changed_.notify_all();
}

void Run::hold(bool held) {
  const std::lock_guard lock(mutex_);
  held_ = held;
  changed_.notify_all();
}

void Run::tell_fault(std::uint64_t version, const std::string& key, const std::string& text) {
  listener_.remark(nlohmann::json({{"type", "fault"}, {"version", version}, {"key", key}, {"text", text}})
                       .dump(-1, ' ', false, nlohmann::json::error_handler_t::replace));
}

// On the run's own thread, some hundred times a round.
void Run::heard(double share) {
  const auto now = Clock::now();
  const std::lock_guard lock(mutex_);
  done_ += share / kStepsOfRound;
  if (wanted_ && now - wanted_at_ > kPatience && execution_) execution_->stop();
  if (now - told_at_ < kTellEvery) return;
  told_at_ = now;
  listener_.remark(nlohmann::json({{"type", "progress"}, {"done", std::min(done_, 1.0)}}).dump());
}

// Waits until another round of this bench is wanted; false where another bench is, or none.
bool Run::may_begin(std::uint64_t version) {
  std::unique_lock lock(mutex_);
  changed_.wait(lock, [&] { return stopped_ || newest_ != version || !held_ || once_; });
  once_ = false;
  done_ = 0.0;
  told_at_ = Clock::now();
  return !stopped_ && newest_ == version;
}

bool Run::may_send(std::uint64_t version) {
  std::unique_lock lock(mutex_);
  changed_.wait(lock, [&] { return stopped_ || newest_ != version || drawn_; });
  if (stopped_ || newest_ != version) return false;
  drawn_ = false;
  return true;
}

void Run::serve(const Order& order) {
  const Execution execution = Execution(ffts_, Device::kCpu).heard_by([this](double share) { heard(share); });
  {
    const std::lock_guard lock(mutex_);
    execution_ = execution;
    if (stopped_) execution.stop();
  }
  Rounds rounds(order.scenario, execution);
  while (may_begin(order.version)) {
    Look look;
    {
      const std::lock_guard lock(mutex_);
      look = look_;
    }
    Packet packet = rounds.next(look);
    packet.head["version"] = order.version;
    if (!may_send(order.version)) return;
    counted_ = rounds.counted();
    listener_.round(packet.bytes());
  }
}

void Run::work() {
  while (!stopped_) {
    std::optional<Order> order;
    {
      std::unique_lock lock(mutex_);
      changed_.wait(lock, [&] { return stopped_ || wanted_.has_value(); });
      order.swap(wanted_);
    }
    if (!order) continue;
    try {
      serve(*order);
    } catch (const Stopped&) {
    } catch (const Error& error) {
      tell_fault(order->version, error.key(), error.reason());
    } catch (const std::bad_alloc&) {
      tell_fault(order->version, "", "out of memory; fewer symbols or samples a symbol need less");
    } catch (const std::exception& error) {
      tell_fault(order->version, "", error.what());
    }
    const std::lock_guard lock(mutex_);
    execution_.reset();
  }
  ended_ = true;
}

}  // namespace cohlink::live
