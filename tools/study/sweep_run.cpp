#include "tools/study/sweep_run.h"

#include <algorithm>
#include <charconv>
#include <list>
#include <mutex>
#include <set>
#include <thread>

#include "sim/signal/hdf5.h"
#include "sim/signal/strings.h"
#include "sim/signal/version.h"
#include "tools/study/curve.h"
#include "tools/study/record.h"
#include "tools/study/required_osnr_curve.h"
#include "tools/study/search.h"

namespace cohlink {
namespace {

/// Runs `work`; whatever goes wrong in it is said of that point.
template <class Work>
auto at_point(const SweepPlan& plan, std::size_t index, Work work) {
  try {
    return work(plan.points[index]);
  } catch (const InputError& error) {
    throw InputError("at " + describe(plan, plan.points[index]) + ": " + error.what());
  } catch (const std::bad_alloc&) {
    throw;
  } catch (const std::exception& error) {
    throw RunError("at " + describe(plan, plan.points[index]) + ": " + error.what());
  }
}

/// Benches of the points in flight: built when needed, the one used longest ago dropped.
class Benches {
 public:
  Benches(const SweepPlan& plan, FftCache& fft) : plan_(plan), fft_(fft), slots_(plan.points.size()) {}

  std::shared_ptr<const Bench> get(std::size_t index) {
    {
      const std::lock_guard lock(mutex_);
      if (slots_[index]) return slots_[index];
    }
    auto bench = std::make_shared<const Bench>(plan_.points[index].scenario, fft_);
    const std::lock_guard lock(mutex_);
    if (slots_[index]) return slots_[index];  // another thread was faster
    slots_[index] = bench;
    alive_.push_back(index);
    if (alive_.size() > kMostAlive) {
      slots_[alive_.front()].reset();
      alive_.pop_front();
    }
    return bench;
  }
  void drop(std::size_t index) {
    const std::lock_guard lock(mutex_);
    if (!slots_[index]) return;
    slots_[index].reset();
    alive_.remove(index);
  }

 private:
  static constexpr std::size_t kMostAlive = 256;
  const SweepPlan& plan_;
  FftCache& fft_;
  std::mutex mutex_;
  std::vector<std::shared_ptr<const Bench>> slots_;
  std::list<std::size_t> alive_;
};

/// The lines of a text, empty ones left out.
std::vector<std::string> lines_of(const std::string& text) {
  std::vector<std::string> lines;
  for (std::size_t begin = 0; begin < text.size();) {
    const auto end = std::min(text.find('\n', begin), text.size());
    if (end > begin) lines.push_back(text.substr(begin, end - begin));
    begin = end + 1;
  }
  return lines;
}

/// One frame of one point, as a record: "point frame result".
std::string frame_record(std::size_t point, std::uint64_t frame, const FrameResult& result) {
  return std::to_string(point) + " " + std::to_string(frame) + " " + to_line(result);
}

std::uint64_t leading_number(std::string_view& text) {
  std::uint64_t value = 0;
  const auto [end, error] = std::from_chars(text.data(), text.data() + text.size(), value);
  if (error != std::errc{} || end == text.data() + text.size())
    throw std::invalid_argument("a record without its place");
  text.remove_prefix(static_cast<std::size_t>(end - text.data()) + 1);
  return value;
}

struct FrameRecord {
  std::size_t point;
  std::uint64_t frame;
  FrameResult result;
};
FrameRecord frame_record_from(std::string_view text) {
  const std::size_t point = leading_number(text);
  const std::uint64_t frame = leading_number(text);
  return {point, frame, frame_result_from(text)};
}

/// The frames of a sweep, computed wherever: by threads of this process or of another rank.
class FrameSweep {
 public:
  FrameSweep(const SweepOrder& order, const SweepRunOptions& options, FftCache& fft)
      : plan_(order.plan),
        output_(order.output),
        options_(options),
        selected_(points_of(order.plan, options.part)),
        benches_(order.plan, fft),
        reuse_(reuse_rule(order.plan, options.threads)) {}

  SweepRecords run() {
    std::vector<StopRule> rules;
    for (const std::size_t index : selected_) rules.push_back(plan_.points[index].stop);
    const bool alone = world().size == 1;
    hooks_.progress = [&](const SweepProgress& now, std::size_t point, const Tally& tally) {
      if (tally.done()) benches_.drop(selected_[point]);
      if (options_.progress) options_.progress(now);
    };
    if (options_.journal != nullptr) use_journal();
    if (alone) {
      share_within_process();
      const auto run = [&](std::size_t p, std::uint64_t f) { return frame_of(selected_[p], f); };
      return {run_on_threads(rules, run, options_.threads, hooks_), {}, {}};
    }
    return {lead(rules), {}, {}};
  }

  /// What another rank does for rank 0.
  void follow() {
    follow_rank(options_.threads, [&](const Assignment& work) { return compute(work); });
  }

 private:
  FrameResult frame_of(std::size_t index, std::uint64_t frame) {
    return at_point(plan_, index, [&](const SweepPoint& point) {
      FrameResult result = reuse_.run(*benches_.get(index), frame, point.addresses);
      result.keep_output(output_);
      return result;
    });
  }

  void share_within_process() {
    const ReuseRule rule = reuse_rule(plan_, options_.threads);
    if (std::none_of(rule.cuts.begin(), rule.cuts.end(), [](bool kept) { return kept; })) return;
    for (const std::size_t index : selected_) inputs_.push_back(stage_inputs(plan_.points[index].scenario));
    hooks_.supply.readiness = [&](std::size_t p, std::uint64_t frame) {
      return reuse_.readiness(inputs_[p], frame, plan_.points[selected_[p]].addresses);
    };
    hooks_.supply.claim = [&](std::size_t p, std::uint64_t frame) {
      reuse_.claim(inputs_[p], frame, plan_.points[selected_[p]].addresses);
    };
    hooks_.supply.listen = [&](std::function<void()> listener) { reuse_.listen(std::move(listener)); };
  }

  void use_journal() {
    std::vector<std::size_t> place(plan_.points.size(), SIZE_MAX);
    for (std::size_t p = 0; p < selected_.size(); ++p) place[selected_[p]] = p;
    hooks_.known.resize(selected_.size());
    for (const std::string& text : options_.journal->records()) {
      FrameRecord record = frame_record_from(text);
      if (record.point < place.size() && place[record.point] != SIZE_MAX)
        hooks_.known[place[record.point]].emplace(record.frame, std::move(record.result));
    }
    hooks_.computed = [&](std::size_t p, std::uint64_t frame, const FrameResult& result) {
      options_.journal->add(frame_record(selected_[p], frame, result));
    };
  }

  /// All points of an assignment, one record a line.
  std::string compute(const Assignment& work) {
    std::string text;
    for (const std::size_t p : work.points)
      text += frame_record(p, work.frame, frame_of(selected_[p], work.frame)) + "\n";
    return text;
  }

  /// Rank 0: its own threads and the other ranks take assignments from one dispatcher. Sets of points that
  /// share a line go to one rank together.
  std::vector<Tally> lead(const std::vector<StopRule>& rules) {
    std::map<std::size_t, std::size_t> place;
    for (std::size_t p = 0; p < selected_.size(); ++p) place[selected_[p]] = p;
    std::vector<std::vector<std::size_t>> units;
    for (const auto& points : sharing_units(plan_)) {
      std::vector<std::size_t> mine;
      for (const std::size_t index : points)
        if (place.count(index) > 0) mine.push_back(place[index]);
      if (!mine.empty()) units.push_back(std::move(mine));
    }
    const auto kept = reuse_rule(plan_, options_.threads).cuts;
    hooks_.by_frame = std::any_of(kept.begin(), kept.end(), [](bool cut) { return cut; });
    Dispatcher dispatcher(rules, std::move(units), hooks_);
    std::vector<std::thread> pool;
    for (unsigned i = 0; i < options_.threads; ++i) pool.emplace_back([&] { work_for(dispatcher); });
    lead_ranks(dispatcher, [&](const Assignment& work, const std::string& reply) {
      try {
        throw_if_failure(reply);
        for (const std::string& line : lines_of(reply)) {
          FrameRecord record = frame_record_from(line);
          dispatcher.count(record.point, record.frame, std::move(record.result));
        }
        dispatcher.finish(work);
      } catch (...) {
        dispatcher.fail(work.points.front(), std::current_exception());
      }
    });
    for (auto& thread : pool) thread.join();
    return dispatcher.tallies();
  }

  void work_for(Dispatcher& dispatcher) {
    for (Assignment work; dispatcher.next(work);) {
      try {
        for (const std::size_t p : work.points)
          dispatcher.count(p, work.frame, frame_of(selected_[p], work.frame));
        dispatcher.finish(work);
      } catch (...) {
        dispatcher.fail(work.points.front(), std::current_exception());
      }
    }
  }

  const SweepPlan& plan_;
  const std::string& output_;
  const SweepRunOptions& options_;
  std::vector<std::size_t> selected_;
  Benches benches_;
  FrameReuse reuse_;
  std::vector<StageInputs> inputs_;  // by selected point
  ExecutorHooks hooks_;
};

/// The searches of a sweep over required OSNRs: each point's is one piece of work, the reference's of a
/// penalty one more, before them. Threads of this process and other ranks take them from one dispatcher; what
/// a search finds does not depend on who makes it.
class SearchSweep {
 public:
  SearchSweep(const SweepOrder& order, const SweepRunOptions& options, FftCache& fft)
      : order_(order), options_(options), selected_(points_of(order.plan, options.part)) {
    if (order.measure == SweepMeasure::kPenalty) places_.push_back(kReference);
    for (const std::size_t point : selected_) places_.push_back(point);
    found_.resize(places_.size());
    std::vector<std::string> varied = {"channel.osnr_db"};
    for (const Axis& axis : order.plan.axes) varied.push_back(axis.key);
    source_ = simulation(fft, std::make_shared<FrameReuse>(search_reuse_rule(order.plan.base, varied)));
  }

  SweepRecords run() {
    if (options_.journal != nullptr) use_journal();
    hooks_.progress = [this](const SweepProgress& now, std::size_t, const Tally&) {
      if (options_.progress) options_.progress(now);
    };
    std::vector<std::vector<std::size_t>> units;
    for (std::size_t job = 0; job < places_.size(); ++job) units.push_back({job});
    Dispatcher dispatcher(std::vector<StopRule>(places_.size(), StopRule{0, 1}), std::move(units), hooks_);
    // Searches side by side before frames side by side: a search waits for its frames at every step.
    const auto workers = static_cast<unsigned>(std::min<std::size_t>(options_.threads, places_.size()));
    std::vector<std::thread> pool;
    for (unsigned i = 0; i < workers; ++i)
      pool.emplace_back([&] { work_for(dispatcher, options_.threads / workers); });
    if (world().size > 1)
      lead_ranks(dispatcher, [&](const Assignment& work, const std::string& reply) {
        settle(dispatcher, work, [&] {
          throw_if_failure(reply);
          return required_osnr_from(reply);
        });
      });
    for (auto& thread : pool) thread.join();
    dispatcher.tallies();  // throws what went wrong
    return records();
  }

  /// What another rank does for rank 0.
  void follow() {
    follow_rank(
        1, [&](const Assignment& work) { return to_line(search(work.points.front(), options_.threads)); });
  }

 private:
  static constexpr std::size_t kReference = SIZE_MAX;

  void work_for(Dispatcher& dispatcher, unsigned threads) {
    for (Assignment work; dispatcher.next(work);)
      settle(dispatcher, work, [&] { return search(work.points.front(), threads); });
  }

  RequiredOsnr search(std::size_t job, unsigned threads) const {
    const auto find = [&](const Scenario& scenario) {
      return find_required_osnr(scenario, required_osnr_rule(scenario), source_, threads);
    };
    if (places_[job] == kReference) return find(reference_scenario(order_));
    return at_point(order_.plan, places_[job], [&](const SweepPoint& point) { return find(point.scenario); });
  }

  /// Keeps what `make` gives for an assignment, or its failure. Without a reference the rest is in vain.
  template <class Make>
  void settle(Dispatcher& dispatcher, const Assignment& work, Make make) {
    const std::size_t job = work.points.front();
    try {
      found_[job] = make();
      if (places_[job] == kReference && !found_[job].found)
        throw RunError("no required OSNR at the reference: " + found_[job].failure);
      dispatcher.count(job, 0, {});
      dispatcher.finish(work);
    } catch (...) {
      dispatcher.fail(job, std::current_exception());
    }
  }

  void use_journal() {
    hooks_.known.resize(places_.size());
    for (const std::string& text : options_.journal->records()) {
      std::string_view rest = text;
      const std::size_t place = leading_number(rest);
      const auto job = std::find(places_.begin(), places_.end(), place);
      if (job == places_.end()) continue;
      const auto index = static_cast<std::size_t>(job - places_.begin());
      found_[index] = required_osnr_from(rest);
      hooks_.known[index][0] = {};
    }
    hooks_.computed = [this](std::size_t job, std::uint64_t, const FrameResult&) {
      options_.journal->add(std::to_string(places_[job]) + " " + to_line(found_[job]));
    };
  }

  SweepRecords records() {
    SweepRecords records;
    std::size_t job = 0;
    if (places_.front() == kReference) records.reference = found_[job++];
    for (; job < places_.size(); ++job) {
      records.found.push_back(found_[job]);
      if (!found_[job].found && options_.remark)
        options_.remark(describe(order_.plan, order_.plan.points[places_[job]]) + ": " + found_[job].failure);
    }
    return records;
  }

  const SweepOrder& order_;
  const SweepRunOptions& options_;
  std::vector<std::size_t> selected_;
  std::vector<std::size_t> places_;  // of the jobs: indices of points; kReference
  std::vector<RequiredOsnr> found_;  // by job
  SourceMaker source_;
  ExecutorHooks hooks_;
};

std::string vary_text(const Axis& axis) { return axis.key + "=" + join(axis.values, "|"); }

std::string measure_name(const SweepOrder& order) {
  constexpr const char* kNames[] = {"ber", "required_osnr", "penalty_db"};
  return order.measure == SweepMeasure::kOutput ? order.output
                                                : kNames[static_cast<std::size_t>(order.measure)];
}

}  // namespace

void set_measure(SweepOrder& order, const std::string& text) {
  if (text == "ber") {
    order.measure = SweepMeasure::kBer;
  } else if (text == "required_osnr" || text == "required_osnr_db") {
    order.measure = SweepMeasure::kRequiredOsnr;
  } else if (text == "penalty_db") {
    order.measure = SweepMeasure::kPenalty;
  } else {
    const auto names = output_names();
    if (std::find(names.begin(), names.end(), text) == names.end())
      throw InputError("--measure " + text + ": expected ber, required_osnr, penalty_db or one of " +
                       join(names, ", "));
    order.measure = SweepMeasure::kOutput;
    order.output = text;
    if (text == "q_db") return;
    for (SweepPoint& point : order.plan.points) point.stop.target_errors = 0;
  }
}

Part parse_part(const std::string& text) {
  Part part;
  const auto slash = text.find('/');
  const auto read = [&](const std::string& digits, std::size_t& value) {
    const auto [end, error] = std::from_chars(digits.data(), digits.data() + digits.size(), value);
    return error == std::errc{} && end == digits.data() + digits.size();
  };
  if (slash == std::string::npos || !read(text.substr(0, slash), part.number) ||
      !read(text.substr(slash + 1), part.count) || part.number < 1 || part.number > part.count)
    throw InputError("--part " + text + ": expected k/n, k from 1 to n");
  return part;
}

std::vector<std::size_t> points_of(const SweepPlan& plan, const Part& part) {
  auto units = sharing_units(plan);
  if (units.size() < part.count) {
    units.clear();
    for (std::size_t i = 0; i < plan.points.size(); ++i) units.push_back({i});
  }
  std::vector<std::size_t> points;
  for (std::size_t unit = part.number - 1; unit < units.size(); unit += part.count)
    points.insert(points.end(), units[unit].begin(), units[unit].end());
  std::sort(points.begin(), points.end());
  return points;
}

Scenario reference_scenario(const SweepOrder& order) {
  if (order.reference.empty()) return order.plan.points.front().scenario;
  Scenario reference = order.plan.base;
  for (const Axis& axis : parse_vary({order.reference})) {
    if (axis.values.size() != 1) throw InputError("--reference " + order.reference + ": one value a key");
    reference.set(axis.key, axis.values.front(), "--reference");
  }
  return reference;
}

double check_points(const SweepOrder& order, FftCache& fft, unsigned threads) {
  const bool searched = order.searches();
  const auto check = [&](const Scenario& scenario) {
    if (searched) required_osnr_rule(scenario);
    return Bench(scenario, fft).link.peak_fibre_power();
  };
  std::vector<double> power(order.plan.points.size());
  for_each_index(power.size(), threads, [&](std::size_t i) {
    power[i] = at_point(order.plan, i, [&](const SweepPoint& point) { return check(point.scenario); });
  });
  if (order.measure == SweepMeasure::kPenalty) power.push_back(check(reference_scenario(order)));
  return *std::max_element(power.begin(), power.end());
}

SweepRecords run_sweep(const SweepOrder& order, const SweepRunOptions& options, FftCache& fft) {
  const auto here = [](auto&& sweep) -> SweepRecords {
    if (world().leads()) return sweep.run();
    sweep.follow();
    return {};
  };
  if (order.searches()) return here(SearchSweep(order, options, fft));
  return here(FrameSweep(order, options, fft));
}

RunIdentity identity_of(const SweepOrder& order, const Part& part) {
  std::string points;
  for (const Axis& axis : order.plan.axes) points += vary_text(axis) + "\n";
  return {{"version", std::string(version().number) + " " + std::string(version().git_hash)},
          {"scenario", deciding_text(order.plan.base)},
          {"--vary", points},
          {"--measure", measure_name(order) + " " + order.reference},
          {"--common-noise", order.plan.common_noise ? "yes" : "no"},
          {"--part", std::to_string(part.number) + "/" + std::to_string(part.count)}};
}

Table table_of(const SweepOrder& order, const SweepRecords& records) {
  return order.searches() ? required_osnr_table(order.plan, records.found, records.reference)
                          : curve_table(order.plan, records.tallies, order.output);
}

void write_sweep(const SweepOrder& order, const SweepRecords& records, const Table& table,
                 const std::string& path) {
  if (order.searches())
    write_required_osnr(order.plan, table, path);
  else
    write_curve(order.plan, records.tallies, table, order.output, path);
}

// --- Parts. ---

namespace {

constexpr const char* kPartKind = "cohlink sweep part";

/// What must agree between the parts of one sweep.
RunIdentity common_identity(const SweepOrder& order, const Part& part) {
  RunIdentity identity = identity_of(order, {1, part.count});
  identity.back().first = "number of parts";
  return identity;
}

std::string identity_text(const RunIdentity& identity) {
  std::string text;
  for (const auto& [name, content] : identity) text += name + "=" + fingerprint(content).text() + "\n";
  return text;
}

struct PartFile {
  std::string path;
  SweepOrder order;
  Part part;
  std::string identity;
  std::vector<std::string> records;
  std::string reference;
};

PartFile read_part(const std::string& path) {
  const h5::File file = h5::File::open(path);
  if (!file.has_attribute("/", "kind") || file.attribute_text("/", "kind") != kPartKind)
    throw InputError(path + ": is not a part of a sweep (cohlink sweep --part k/n -o FILE makes them)");
  PartFile found;
  found.path = path;
  found.part = {static_cast<std::size_t>(file.attribute_number("/", "part")),
                static_cast<std::size_t>(file.attribute_number("/", "parts"))};
  found.identity = file.read_text("/identity");
  Scenario base;
  base.read_text(file.read_text("/scenario"), path + ":/scenario");
  found.order.plan = make_plan(base, parse_vary(lines_of(file.read_text("/vary"))),
                               file.attribute_text("/", "common_noise") == "yes");
  set_measure(found.order, file.attribute_text("/", "measure"));
  found.order.reference = file.attribute_text("/", "reference");
  found.records = lines_of(file.read_text("/records"));
  found.reference = file.read_text("/reference");
  return found;
}

/// Which lines of two identities differ.
std::string unlike(const std::string& a, const std::string& b) {
  std::string names;
  const auto left = lines_of(a), right = lines_of(b);
  for (std::size_t i = 0; i < std::min(left.size(), right.size()); ++i)
    if (left[i] != right[i]) names += (names.empty() ? "" : ", ") + left[i].substr(0, left[i].find('='));
  return names.empty() ? "format" : names;
}

void check_parts(const std::vector<PartFile>& parts) {
  const PartFile& first = parts.front();
  std::map<std::size_t, const PartFile*> seen;
  for (const PartFile& p : parts) {
    if (p.identity != first.identity)
      throw InputError(p.path + ": is not of the same sweep as " + first.path + " (" +
                       unlike(p.identity, first.identity) + " differs)");
    if (const auto [before, added] = seen.emplace(p.part.number, &p); !added)
      throw InputError(p.path + ": is part " + std::to_string(p.part.number) + ", as is " +
                       before->second->path);
  }
  std::string missing;
  for (std::size_t k = 1; k <= first.part.count; ++k)
    if (seen.count(k) == 0)
      missing += (missing.empty() ? "" : ", ") + std::to_string(k) + "/" + std::to_string(first.part.count);
  if (!missing.empty()) throw InputError("merge: missing " + missing);
}

}  // namespace

void write_part(const SweepOrder& order, const SweepRecords& records, const Part& part,
                const std::string& path) {
  std::string vary, lines;
  for (const Axis& axis : order.plan.axes) vary += vary_text(axis) + "\n";
  for (const Tally& tally : records.tallies)
    lines += std::to_string(tally.frames()) + " " + to_line(tally.total()) + "\n";
  for (const RequiredOsnr& found : records.found) lines += to_line(found) + "\n";
  h5::File::create(path, [&](h5::File& file) {
    file.attribute("/", "kind", std::string(kPartKind));
    file.attribute("/", "format", 1.0);
    file.attribute("/", "version", std::string(version().number));
    file.attribute("/", "git_hash", std::string(version().git_hash));
    file.attribute("/", "part", static_cast<double>(part.number));
    file.attribute("/", "parts", static_cast<double>(part.count));
    file.attribute("/", "measure", measure_name(order));
    file.attribute("/", "reference", order.reference);
    file.attribute("/", "common_noise", std::string(order.plan.common_noise ? "yes" : "no"));
    file.write_text("/scenario", order.plan.base.resolved());
    file.write_text("/vary", vary);
    file.write_text("/identity", identity_text(common_identity(order, part)));
    file.write_text("/records", lines);
    file.write_text("/reference", records.reference ? to_line(*records.reference) : "");
  });
}

Merged merge_parts(const std::vector<std::string>& paths) {
  std::vector<PartFile> parts;
  for (const auto& path : paths) parts.push_back(read_part(path));
  if (parts.empty()) throw InputError("merge needs the files of all parts");
  check_parts(parts);
  Merged merged;
  merged.order = std::move(parts.front().order);
  const SweepPlan& plan = merged.order.plan;
  const bool searched = merged.order.searches();
  merged.records.tallies.assign(searched ? 0 : plan.points.size(), Tally(StopRule{}));
  merged.records.found.resize(searched ? plan.points.size() : 0);
  if (merged.order.measure == SweepMeasure::kPenalty)
    merged.records.reference = required_osnr_from(parts.front().reference);
  for (const PartFile& p : parts) {
    const auto points = points_of(plan, p.part);
    if (points.size() != p.records.size())
      throw InputError(p.path + ": holds " + std::to_string(p.records.size()) +
                       " points where its part has " + std::to_string(points.size()));
    for (std::size_t i = 0; i < points.size(); ++i) {
      std::string_view line = p.records[i];
      if (!searched) {
        const std::uint64_t frames = leading_number(line);
        merged.records.tallies[points[i]] =
            Tally::counted(plan.points[points[i]].stop, frames, frame_result_from(line));
      } else {
        merged.records.found[points[i]] = required_osnr_from(line);
      }
    }
  }
  return merged;
}

}  // namespace cohlink
