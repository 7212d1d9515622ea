#include "tools/live/viewers.h"

#include <algorithm>
#include <nlohmann/json.hpp>

#include "sim/signal/version.h"
#include "tools/live/knobs.h"
#include "tools/live/lecture.h"
#include "tools/live/page.h"
#include "tools/study/run/planning.h"

namespace cohlink::live {
namespace {

using Json = nlohmann::json;

// First line of a scenario's comment: the question it asks.
std::string question(std::string_view text) {
  const std::string_view line = text.substr(0, text.find('\n'));
  const auto begin = line.find_first_not_of("; ");
  return begin == std::string_view::npos ? "" : std::string(line.substr(begin));
}

Json hello() {
  Json presets = Json::array(), steps = Json::array();
  for (const EmbeddedFile& file : preset_files())
    presets.push_back({{"name", file.name}, {"question", question(file.content)}});
  for (const LectureStep& step : lecture())
    steps.push_back({{"title", step.title}, {"text", step.text}, {"block", step.block}});
  return {{"type", "hello"},
          {"version", version().number},
          {"keys", knob_list()},
          {"presets", presets},
          {"lecture", steps}};
}

std::string dump(const Json& message) { return message.dump(-1, ' ', false, Json::error_handler_t::replace); }

Run::Listener listener_of(const std::shared_ptr<Viewer>& viewer) {
  const auto post = [viewer](Kind kind, std::string bytes, bool binary) {
    viewer->post({kind, std::move(bytes), binary});
  };
  return {[post](std::string round) { post(Kind::kRound, std::move(round), true); },
          [post](std::string text) {
            const bool fault = text.find("\"fault\"") != std::string::npos;
            post(fault ? Kind::kFault : Kind::kProgress, std::move(text), false);
          }};
}

}  // namespace

void Outbox::put(Message message) { waiting_[static_cast<std::size_t>(message.kind)] = std::move(message); }

bool Outbox::empty() const {
  return std::none_of(std::begin(waiting_), std::end(waiting_), [](const auto& m) { return m.has_value(); });
}

Message Outbox::take() {
  const auto first =
      std::find_if(std::begin(waiting_), std::end(waiting_), [](const auto& m) { return m.has_value(); });
  Message message = std::move(**first);
  first->reset();
  return message;
}

Session::Session(const Opening& opening, const FftCache& ffts, std::shared_ptr<Viewer> viewer)
    : viewer_(std::move(viewer)), settings_(opening), run_(ffts, listener_of(viewer_)) {
  post(Kind::kHello, hello());
  run_.want(settings_.scenario(), ++version_);
  tell_state(nullptr);
}

void Session::post(Kind kind, const Json& message) { viewer_->post({kind, dump(message), false}); }

void Session::tell_state(const Json& error) {
  Json state = settings_.describe(run_.counted());
  state["type"] = "state";
  state["version"] = version_;
  state["error"] = error;
  post(Kind::kState, state);
}

bool Session::take(const std::string& message) {
  const Json request = Json::parse(message, nullptr, false);
  if (!request.is_object() || request.empty()) return false;
  try {
    if (!control(request)) change(request);
  } catch (const InputError& error) {
    tell_state({{"key", error.key()}, {"text", error.reason()}});
  }
  return true;
}

// What changes nothing about the bench. False: something else was asked for.
bool Session::control(const Json& request) {
  if (request.contains("ack")) return run_.acknowledge(), true;
  if (const auto hold = request.find("hold"); hold != request.end()) {
    if (!hold->is_boolean()) throw InputError("hold is true or false");
    return run_.hold(hold->get<bool>()), true;
  }
  if (const auto look = request.find("look"); look != request.end()) {
    const Json block = look->is_object() ? look->value("block", Json(0)) : Json();
    const Json all = look->is_object() ? look->value("all", Json(false)) : Json();
    if (!block.is_number_unsigned() || !all.is_boolean())
      throw InputError("the page looks at a block by its number");
    return run_.look({block.get<std::size_t>(), all.get<bool>()}), true;
  }
  if (request.contains("save")) {
    const std::uint64_t rounds = run_.counted();
    post(Kind::kReply, {{"type", "saved"},
                        {"ini", settings_.saved(rounds)},
                        {"rounds", rounds},
                        {"command", settings_.describe(rounds)["command"]}});
    return true;
  }
  return false;
}

void Session::change(const Json& request) {
  settings_.apply(request);
  run_.want(settings_.scenario(), ++version_);
  tell_state(nullptr);
}

Viewers::Viewers(Opening opening, std::size_t most)
    : opening_(std::move(opening)), most_(most), ffts_(planning_of(opening_.scenario)) {}

std::shared_ptr<Session> Viewers::admit(std::shared_ptr<Viewer> viewer) {
  forget_ended();
  if (seated_.size() + leaving_.size() >= most_) return nullptr;
  seated_.push_back(std::make_shared<Session>(opening_, ffts_, std::move(viewer)));
  return seated_.back();
}

void Viewers::dismiss(const std::shared_ptr<Session>& session) {
  const auto found = std::find(seated_.begin(), seated_.end(), session);
  if (found == seated_.end()) return;
  session->run().stop();
  leaving_.splice(leaving_.end(), seated_, found);
}

void Viewers::forget_ended() {
  leaving_.remove_if([](const auto& session) { return session->run().ended(); });
}

void Viewers::dismiss_all() {
  for (const auto& session : seated_) session->run().stop();
  for (const auto& session : seated_) session->run().end();
  seated_.clear();
  leaving_.clear();
}

}  // namespace cohlink::live
