#include "tools/study/run/sweep_run.h"

#include <algorithm>
#include <charconv>
#include <list>
#include <mutex>
#include <set>
#include <thread>

#include "sim/signal/record/hdf5.h"
#include "sim/signal/scenario/strings.h"
#include "sim/signal/version.h"
#include "tools/study/files/curve.h"
#include "tools/study/plan/arithmetic.h"
#include "tools/study/plan/fingerprint.h"
#include "tools/study/run/record.h"
#include "tools/study/search/required_osnr_curve.h"
#include "tools/study/search/search.h"

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
  Benches(const SweepPlan& plan, const FftCache& fft) : plan_(plan), fft_(fft), slots_(plan.points.size()) {}

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
  const FftCache fft_;
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
  FrameSweep(const SweepOrder& order, const SweepRunOptions& options, const FftCache& fft)
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
      return {run_on_threads(rules, run, options_.threads, hooks_), {}, {}, {}};
    }
    return {lead(rules), {}, {}, {}};
  }

  /// What another rank does for rank 0.
  void follow(const std::function<std::string()>& last_words) {
    follow_rank(
        options_.threads, [&](const Assignment& work) { return compute(work); }, last_words);
  }

  /// How the other ranks round.
  const std::vector<std::string>& last_words() const { return last_words_; }

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
    // Ranks that take different frames need not all make what the points of a frame share.
    constexpr int kMostLanes = 4;
    if (hooks_.by_frame) hooks_.lanes = static_cast<unsigned>(std::min(world().size, kMostLanes));
    Dispatcher dispatcher(rules, std::move(units), hooks_);
    std::vector<std::thread> pool;
    for (unsigned i = 0; i < options_.threads; ++i) pool.emplace_back([&] { work_for(dispatcher); });
    last_words_ = lead_ranks(dispatcher, hooks_.lanes, [&](const Assignment& work, const std::string& reply) {
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
  std::vector<std::string> last_words_;
};

/// Scenarios without repetition: what is the same, but for keys that decide no number, stands once.
class DistinctScenarios {
 public:
  std::size_t place(const Scenario& scenario) {
    const auto [at, added] = places_.try_emplace(fingerprint(deciding_text(scenario)).text(), all_.size());
    if (added) all_.push_back(scenario);
    return at->second;
  }
  const std::vector<Scenario>& all() const { return all_; }

 private:
  std::map<std::string, std::size_t> places_;
  std::vector<Scenario> all_;
};

/// The searches of a sweep over required OSNRs: those of the references of a penalty, then those of the
/// points that are no reference; each is one piece of work. Threads of this process and other ranks take them
/// from one dispatcher; what a search finds does not depend on who makes it.
class SearchSweep {
 public:
  SearchSweep(const SweepOrder& order, const SweepRunOptions& options, const FftCache& fft)
      : order_(order), options_(options), selected_(points_of(order.plan, options.part)) {
    DistinctScenarios distinct;
    if (order.measure == SweepMeasure::kPenalty)
      for (const std::size_t point : selected_)
        reference_jobs_.push_back(
            distinct.place(penalty_reference(order, order.plan.points[point]).scenario));
    points_.assign(distinct.all().size(), kReference);
    for (const std::size_t point : selected_) {
      point_jobs_.push_back(distinct.place(order.plan.points[point].scenario));
      if (points_.size() < distinct.all().size()) points_.push_back(point);
    }
    jobs_ = distinct.all();
    found_.resize(jobs_.size());
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
    for (std::size_t job = 0; job < jobs_.size(); ++job) units.push_back({job});
    Dispatcher dispatcher(std::vector<StopRule>(jobs_.size(), StopRule{0, 1}), std::move(units), hooks_);
    // Searches side by side before frames side by side: a search waits for its frames at every step.
    const auto workers = static_cast<unsigned>(std::min<std::size_t>(options_.threads, jobs_.size()));
    std::vector<std::thread> pool;
    for (unsigned i = 0; i < workers; ++i)
      pool.emplace_back([&] { work_for(dispatcher, options_.threads / workers); });
    if (world().size > 1)
      last_words_ = lead_ranks(dispatcher, 1, [&](const Assignment& work, const std::string& reply) {
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
  void follow(const std::function<std::string()>& last_words) {
    follow_rank(
        1, [&](const Assignment& work) { return to_line(search(work.points.front(), options_.threads)); },
        last_words);
  }

  /// How the other ranks round.
  const std::vector<std::string>& last_words() const { return last_words_; }

 private:
  static constexpr std::size_t kReference = SIZE_MAX;

  void work_for(Dispatcher& dispatcher, unsigned threads) {
    for (Assignment work; dispatcher.next(work);)
      settle(dispatcher, work, [&] { return search(work.points.front(), threads); });
  }

  RequiredOsnr search(std::size_t job, unsigned threads) const {
    const auto find = [&] {
      return find_required_osnr(jobs_[job], required_osnr_rule(jobs_[job]), source_, threads);
    };
    if (points_[job] == kReference) return find();
    return at_point(order_.plan, points_[job], [&](const SweepPoint&) { return find(); });
  }

  /// Whether all points are held against this one search.
  bool is_the_reference(std::size_t job) const {
    return !reference_jobs_.empty() && std::all_of(reference_jobs_.begin(), reference_jobs_.end(),
                                                   [job](std::size_t other) { return other == job; });
  }

  /// Keeps what `make` gives for an assignment, or its failure. Without the only reference the rest is in
  /// vain.
  template <class Make>
  void settle(Dispatcher& dispatcher, const Assignment& work, Make make) {
    const std::size_t job = work.points.front();
    try {
      found_[job] = make();
      if (!found_[job].found && is_the_reference(job))
        throw RunError("no required OSNR at the reference: " + found_[job].failure);
      dispatcher.count(job, 0, {});
      dispatcher.finish(work);
    } catch (...) {
      dispatcher.fail(job, std::current_exception());
    }
  }

  void use_journal() {
    hooks_.known.resize(jobs_.size());
    for (const std::string& text : options_.journal->records()) {
      std::string_view rest = text;
      const std::size_t job = leading_number(rest);
      if (job >= jobs_.size()) continue;
      found_[job] = required_osnr_from(rest);
      hooks_.known[job][0] = {};
    }
    hooks_.computed = [this](std::size_t job, std::uint64_t, const FrameResult&) {
      options_.journal->add(std::to_string(job) + " " + to_line(found_[job]));
    };
  }

  SweepRecords records() {
    SweepRecords records;
    for (std::size_t i = 0; i < selected_.size(); ++i) {
      const RequiredOsnr& found = found_[point_jobs_[i]];
      records.found.push_back(found);
      if (!found.found) remark(selected_[i], found.failure);
      if (reference_jobs_.empty()) continue;
      const RequiredOsnr& reference = found_[reference_jobs_[i]];
      records.references.push_back(reference);
      if (found.found && !reference.found)
        remark(selected_[i], "no required OSNR at its reference: " + reference.failure);
    }
    return records;
  }

  void remark(std::size_t point, const std::string& text) const {
    if (options_.remark) options_.remark(describe(order_.plan, order_.plan.points[point]) + ": " + text);
  }

  const SweepOrder& order_;
  const SweepRunOptions& options_;
  std::vector<std::size_t> selected_;
  std::vector<std::size_t> point_jobs_, reference_jobs_;  // by selected point; without penalty no references
  std::vector<Scenario> jobs_;
  std::vector<std::size_t> points_;  // by job: whose search it is, to say where it failed; kReference
  std::vector<RequiredOsnr> found_;  // by job
  SourceMaker source_;
  ExecutorHooks hooks_;
  std::vector<std::string> last_words_;
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

PenaltyReference penalty_reference(const SweepOrder& order, const SweepPoint& point) {
  const SweepPlan& plan = order.plan;
  if (order.reference.empty()) return {plan.points.front().scenario, describe(plan, plan.points.front())};
  SweepPoint reference = point;
  std::string others;
  for (const Axis& axis : parse_vary({order.reference}, "--reference")) {
    if (axis.values.size() != 1) throw InputError("--reference " + order.reference + ": one value a key");
    reference.scenario.set(axis.key, axis.values.front(), "--reference");
    const auto varied = std::find_if(plan.axes.begin(), plan.axes.end(),
                                     [&](const Axis& other) { return other.key == axis.key; });
    if (varied == plan.axes.end())
      others += ", " + axis.key + "=" + axis.values.front();
    else
      reference.values[static_cast<std::size_t>(varied - plan.axes.begin())] = axis.values.front();
  }
  return {reference.scenario, describe(plan, reference) + others};
}

double check_points(const SweepOrder& order, const Part& part, const FftCache& fft, unsigned threads) {
  const bool searched = order.searches();
  const auto check = [&](const Scenario& scenario) {
    if (searched) required_osnr_rule(scenario);
    return Bench(scenario, fft).link.peak_fibre_power();
  };
  const std::vector<std::size_t> points = points_of(order.plan, part);
  std::vector<double> power(points.size());
  for_each_index(power.size(), threads, [&](std::size_t i) {
    power[i] =
        at_point(order.plan, points[i], [&](const SweepPoint& point) { return check(point.scenario); });
  });
  if (order.measure == SweepMeasure::kPenalty) {
    DistinctScenarios references;
    for (const std::size_t i : points)
      references.place(penalty_reference(order, order.plan.points[i]).scenario);
    for (const Scenario& reference : references.all()) power.push_back(check(reference));
  }
  return power.empty() ? 0.0 : *std::max_element(power.begin(), power.end());
}

SweepRecords run_sweep(const SweepOrder& order, const SweepRunOptions& options, const FftCache& fft) {
  const auto here = [&](auto&& sweep) -> SweepRecords {
    if (!world().leads()) {
      sweep.follow([&] { return arithmetic_of(fft); });
      return {};
    }
    SweepRecords records = sweep.run();
    records.arithmetic = arithmetic_of(fft);
    for (const std::string& other : sweep.last_words())
      if (const auto what = unlike_arithmetic(records.arithmetic, other); !what.empty()) {
        if (options.remark) options.remark(arithmetic_remark("the ranks", what));
        break;
      }
    return records;
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

namespace {

/// What the penalties of a file are against, in words.
std::string reference_text(const SweepOrder& order) {
  if (order.measure != SweepMeasure::kPenalty) return "";
  if (order.reference.empty()) return "the first point: " + describe(order.plan, order.plan.points.front());
  std::string kept;
  const auto given = parse_vary({order.reference}, "--reference");
  for (const Axis& axis : order.plan.axes)
    if (std::none_of(given.begin(), given.end(), [&](const Axis& other) { return other.key == axis.key; }))
      kept += (kept.empty() ? "; as at the point itself: " : ", ") + axis.key;
  return order.reference + kept;
}

}  // namespace

Table table_of(const SweepOrder& order, const SweepRecords& records) {
  if (!order.searches()) return curve_table(order.plan, records.tallies, order.output);
  std::vector<FoundReference> references;
  for (std::size_t i = 0; i < records.references.size(); ++i)
    references.push_back({records.references[i], penalty_reference(order, order.plan.points[i]).name});
  return required_osnr_table(order.plan, records.found, references);
}

void write_sweep(const SweepOrder& order, const SweepRecords& records, const Table& table,
                 const std::string& path) {
  if (order.searches())
    write_required_osnr(order.plan, table, reference_text(order), path);
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
  std::string identity, arithmetic;
  std::vector<std::string> records, references;
};

PartFile read_part(const std::string& path) {
  const h5::File file =
      h5::File::open_sealed(path, "a part that was changed cannot be merged; compute it again");
  if (!file.has_attribute("/", "kind") || file.attribute_text("/", "kind") != kPartKind)
    throw InputError(path + ": is not a part of a sweep (cohlink sweep --part k/n -o FILE makes them)");
  PartFile found;
  found.path = path;
  found.part = {file.attribute_count("/", "part"), file.attribute_count("/", "parts")};
  if (found.part.number < 1 || found.part.number > found.part.count)
    throw InputError(path + ": is part " + std::to_string(found.part.number) + " of " +
                     std::to_string(found.part.count) + ", which no part is");
  found.identity = file.read_text("/identity");
  Scenario base;
  base.read_text(file.read_text("/scenario"), path + ":/scenario");
  found.order.plan = make_plan(base, parse_vary(lines_of(file.read_text("/vary"))),
                               file.attribute_text("/", "common_noise") == "yes");
  set_measure(found.order, file.attribute_text("/", "measure"));
  found.order.reference = file.attribute_text("/", "reference");
  found.records = lines_of(file.read_text("/records"));
  found.references = lines_of(file.read_text("/references"));
  found.arithmetic = file.read_text("/arithmetic");
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
  constexpr std::size_t kMostNamed = 100;
  for (std::size_t k = 1, named = 0; k <= first.part.count && named < kMostNamed; ++k)
    if (seen.count(k) == 0 && ++named > 0)
      missing += (missing.empty() ? "" : ", ") + std::to_string(k) + "/" + std::to_string(first.part.count);
  if (!missing.empty()) throw InputError("merge: missing " + missing);
}

}  // namespace

void write_part(const SweepOrder& order, const SweepRecords& records, const Part& part,
                const std::string& path) {
  std::string vary, lines, references;
  for (const Axis& axis : order.plan.axes) vary += vary_text(axis) + "\n";
  for (const Tally& tally : records.tallies)
    lines += std::to_string(tally.frames()) + " " + to_line(tally.total()) + "\n";
  for (const RequiredOsnr& found : records.found) lines += to_line(found) + "\n";
  for (const RequiredOsnr& reference : records.references) references += to_line(reference) + "\n";
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
    file.write_text("/references", references);
    file.write_text("/arithmetic", records.arithmetic);
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
  const bool penalty = merged.order.measure == SweepMeasure::kPenalty;
  merged.records.references.resize(penalty ? plan.points.size() : 0);
  for (const PartFile& p : parts) {
    if (const auto what = unlike_arithmetic(parts.front().arithmetic, p.arithmetic); !what.empty())
      merged.remark = arithmetic_remark(parts.front().path + " and " + p.path, what);
    const auto points = points_of(plan, p.part);
    if (points.size() != p.records.size() || (penalty && points.size() != p.references.size()))
      throw InputError(p.path + ": holds " + std::to_string(p.records.size()) +
                       " points where its part has " + std::to_string(points.size()));
    for (std::size_t i = 0; i < points.size(); ++i) try {
        std::string_view line = p.records[i];
        if (!searched) {
          const std::uint64_t frames = leading_number(line);
          merged.records.tallies[points[i]] =
              Tally::counted(plan.points[points[i]].stop, frames, frame_result_from(line));
        } else {
          merged.records.found[points[i]] = required_osnr_from(line);
          if (penalty) merged.records.references[points[i]] = required_osnr_from(p.references[i]);
        }
      } catch (const std::invalid_argument&) {
        throw InputError(p.path + ": data set /records has no record in line " + std::to_string(i + 1));
      }
  }
  return merged;
}

}  // namespace cohlink
