#include "tools/study/parts/ranks.h"

#include "sim/signal/propagation/cuda/device.h"
#include "sim/signal/scenario/errors.h"

#ifdef COHLINK_MPI
#include <mpi.h>
#endif

#include <chrono>
#include <cstdlib>
#include <sstream>
#include <thread>
#include <utility>

namespace cohlink {
namespace {

World here;

constexpr std::string_view kInputFailure = "!input ", kRunFailure = "!run ";

}  // namespace

const World& world() { return here; }

std::string failure_reply(const std::exception_ptr& failure) {
  try {
    std::rethrow_exception(failure);
  } catch (const InputError& error) {
    return std::string(kInputFailure) + error.what();
  } catch (const std::bad_alloc&) {
    return std::string(kRunFailure) + "out of memory on rank " + std::to_string(here.rank);
  } catch (const std::exception& error) {
    return std::string(kRunFailure) + error.what();
  }
}

void throw_if_failure(const std::string& reply) {
  if (reply.starts_with(kInputFailure)) throw InputError(reply.substr(kInputFailure.size()));
  if (reply.starts_with(kRunFailure)) throw RunError(reply.substr(kRunFailure.size()));
}

std::string Courier::answer(const std::string& job, const std::function<std::string()>& locally) {
  std::unique_lock lock(mutex_);
  changed_.wait(lock, [&] { return idle_here_ > 0 || !idle_.empty(); });
  if (idle_here_ > 0) {
    --idle_here_;
    lock.unlock();
    struct Back {  // also when it throws
      Courier& courier;
      ~Back() {
        const std::lock_guard again(courier.mutex_);
        ++courier.idle_here_;
        courier.changed_.notify_one();
      }
    } const back{*this};
    return locally();
  }
  const std::uint64_t number = sent_++;
  errands_.push_back({idle_.front(), std::to_string(number) + "\n" + job});
  idle_.pop_front();
  auto reply = waiting_[number].get_future();
  lock.unlock();
  std::string text = reply.get();
  throw_if_failure(text);
  return text;
}

void Courier::take_mail(int from, bool reply, const std::string& text) {
  const std::lock_guard lock(mutex_);
  if (reply) {
    const auto end = text.find('\n');
    const auto asked = waiting_.find(std::stoull(text.substr(0, end)));
    asked->second.set_value(text.substr(end + 1));
    waiting_.erase(asked);
  }
  idle_.push_back(from);
  changed_.notify_one();
}

std::vector<Courier::Errand> Courier::posted() {
  const std::lock_guard lock(mutex_);
  return std::exchange(errands_, {});
}

bool Courier::all_answered() const {
  const std::lock_guard lock(mutex_);
  return waiting_.empty();
}

#ifndef COHLINK_MPI

bool built_with_mpi() { return false; }
MpiSession::MpiSession(int&, char**&) {}
MpiSession::~MpiSession() = default;
bool all_go_on(bool this_one) { return this_one; }
void lead_alone() {}
void leave_ranks() {}
std::vector<std::string> lead_ranks(Dispatcher&, unsigned,
                                    const std::function<void(const Assignment&, const std::string&)>&) {
  return {};
}
void follow_rank(unsigned, const std::function<std::string(const Assignment&)>&,
                 const std::function<std::string()>&) {}
std::vector<std::string> Courier::serve(const std::function<void()>& study) {
  study();
  return {};
}
void answer_courier(unsigned, const std::function<std::string(const std::string&)>&,
                    const std::function<std::string()>&) {}

#else

namespace {

bool asked_all = false;

// Messages: a rank asks for work once for each of its threads and once more, so that its next frame is there
// before it needs it, and again with each reply.
enum Tag { kAsk = 1, kReply, kWork, kStop, kLastWords };
constexpr double kPause = 2e-3;  // s between looks at the mail

bool launched_by_mpi() {
  for (const char* name : {"OMPI_COMM_WORLD_SIZE", "PMI_SIZE", "PMIX_RANK", "PMI_RANK"})
    if (std::getenv(name) != nullptr) return true;
  return false;
}

void send_text(const std::string& text, int to, Tag tag) {
  MPI_Send(text.data(), static_cast<int>(text.size()), MPI_CHAR, to, tag, MPI_COMM_WORLD);
}

struct Mail {
  int from = 0, tag = 0;
  std::string text;
};

/// The message that a probe found.
Mail fetch(const MPI_Status& status) {
  int length = 0;
  MPI_Get_count(&status, MPI_CHAR, &length);
  Mail mail{status.MPI_SOURCE, status.MPI_TAG, std::string(static_cast<std::size_t>(length), ' ')};
  MPI_Recv(mail.text.data(), length, MPI_CHAR, mail.from, mail.tag, MPI_COMM_WORLD, MPI_STATUS_IGNORE);
  return mail;
}

/// A message if there is one.
bool receive(Mail& mail) {
  MPI_Status status;
  int there = 0;
  MPI_Iprobe(MPI_ANY_SOURCE, MPI_ANY_TAG, MPI_COMM_WORLD, &there, &status);
  if (there) mail = fetch(status);
  return there != 0;
}

std::string text_of(const Assignment& work) {
  std::string text = std::to_string(work.unit) + " " + std::to_string(work.frame);
  for (const std::size_t point : work.points) text += " " + std::to_string(point);
  return text;
}

/// The assignment, and in `rest` what stands on the lines after it.
Assignment assignment_from(const std::string& text, std::string& rest) {
  const auto end = text.find('\n');
  rest = end == std::string::npos ? "" : text.substr(end + 1);
  std::istringstream stream(text.substr(0, end));
  Assignment work;
  stream >> work.unit >> work.frame;
  for (std::size_t point; stream >> point;) work.points.push_back(point);
  return work;
}

void pause() { std::this_thread::sleep_for(std::chrono::duration<double>(kPause)); }

/// Jobs in, replies out, between the thread that talks to rank 0 and those that compute.
class Workshop {
 public:
  explicit Workshop(const std::function<std::string(const std::string&)>& reply) : reply_(reply) {}
  void give(std::string job) {
    const std::lock_guard lock(mutex_);
    waiting_.push_back(std::move(job));
    changed_.notify_one();
  }
  void close() {
    const std::lock_guard lock(mutex_);
    closed_ = true;
    changed_.notify_all();
  }
  bool take_reply(std::string& reply) {
    const std::lock_guard lock(mutex_);
    if (replies_.empty()) return false;
    reply = std::move(replies_.front());
    replies_.pop_front();
    return true;
  }
  void run() {
    std::unique_lock lock(mutex_);
    for (;;) {
      changed_.wait(lock, [&] { return closed_ || !waiting_.empty(); });
      if (waiting_.empty()) return;
      const std::string job = std::move(waiting_.front());
      waiting_.pop_front();
      lock.unlock();
      std::string reply = reply_(job);
      lock.lock();
      replies_.push_back(std::move(reply));
    }
  }

 private:
  const std::function<std::string(const std::string&)>& reply_;
  std::mutex mutex_;
  std::condition_variable changed_;
  std::deque<std::string> waiting_;
  std::deque<std::string> replies_;
  bool closed_ = false;
};

// Ranks of one host take GPUs of their own.
void take_cards() {
  MPI_Comm host = MPI_COMM_NULL;
  MPI_Comm_split_type(MPI_COMM_WORLD, MPI_COMM_TYPE_SHARED, here.rank, MPI_INFO_NULL, &host);
  int rank = 0, ranks = 1;
  MPI_Comm_rank(host, &rank);
  MPI_Comm_size(host, &ranks);
  MPI_Comm_free(&host);
  cuda::set_rank_on_host(rank, ranks);
}

}  // namespace

bool built_with_mpi() { return true; }

MpiSession::MpiSession(int& argc, char**& argv) {
  if (!launched_by_mpi()) return;
  int provided = 0;
  MPI_Init_thread(&argc, &argv, MPI_THREAD_FUNNELED, &provided);
  MPI_Comm_rank(MPI_COMM_WORLD, &here.rank);
  MPI_Comm_size(MPI_COMM_WORLD, &here.size);
  take_cards();
}

MpiSession::~MpiSession() {
  int running = 0;
  MPI_Initialized(&running);
  if (running) MPI_Finalize();
}

bool all_go_on(bool this_one) {
  int go = this_one ? 1 : 0;
  if (here.size > 1) MPI_Allreduce(MPI_IN_PLACE, &go, 1, MPI_INT, MPI_MIN, MPI_COMM_WORLD);
  asked_all = true;
  return go == 1;
}

void lead_alone() { asked_all = true; }

void leave_ranks() {
  if (here.size > 1 && !asked_all) all_go_on(false);
}

namespace {

// Sends the other ranks home, and what each says on leaving.
std::vector<std::string> part_from_ranks() {
  for (int rank = 1; rank < here.size; ++rank) send_text("", rank, kStop);
  std::vector<std::string> last_words;
  for (int rank = 1; rank < here.size; ++rank) {
    MPI_Status status;
    MPI_Probe(rank, kLastWords, MPI_COMM_WORLD, &status);
    last_words.push_back(fetch(status).text);
  }
  return last_words;
}

}  // namespace

std::vector<std::string> lead_ranks(Dispatcher& dispatcher, unsigned lanes,
                                    const std::function<void(const Assignment&, const std::string&)>& take) {
  std::vector<int> asking;  // one entry for each idle thread of another rank
  std::vector<int> working(static_cast<std::size_t>(here.size), 0);
  bool done = false;
  const auto busy = [&] {
    for (const int count : working)
      if (count > 0) return true;
    return false;
  };
  while (!done || busy()) {
    bool idle = true;
    for (Mail mail; receive(mail); idle = false) {
      if (mail.tag == kReply) {
        --working[static_cast<std::size_t>(mail.from)];
        std::string rest;
        const Assignment work = assignment_from(mail.text, rest);
        take(work, rest);
      }
      asking.push_back(mail.from);
    }
    while (!done && !asking.empty()) {
      Assignment work;
      const auto answer = dispatcher.offer(work, static_cast<unsigned>(asking.back()) % lanes);
      if (answer == Dispatcher::Answer::kFinished) done = true;
      if (answer != Dispatcher::Answer::kWork) break;
      send_text(text_of(work), asking.back(), kWork);
      ++working[static_cast<std::size_t>(asking.back())];
      asking.pop_back();
      idle = false;
    }
    if (idle) {
      done = done || dispatcher.finished();
      pause();
    }
  }
  return part_from_ranks();
}

namespace {

/// The line that says what a reply answers, and the answer or what went wrong.
std::string reply_to(const std::string& head, const std::function<std::string()>& compute) {
  try {
    return head + "\n" + compute();
  } catch (...) {
    return head + "\n" + failure_reply(std::current_exception());
  }
}

/// Asks rank 0 for jobs and sends the replies, until told to stop.
void work_on_jobs(unsigned threads, const std::function<std::string(const std::string&)>& reply,
                  const std::function<std::string()>& last_words) {
  Workshop workshop(reply);
  std::vector<std::thread> pool;
  for (unsigned i = 0; i < threads; ++i) pool.emplace_back([&] { workshop.run(); });
  for (unsigned i = 0; i < threads + 1; ++i) send_text("", 0, kAsk);
  for (bool stopped = false; !stopped;) {
    bool idle = true;
    for (std::string text; workshop.take_reply(text); idle = false) send_text(text, 0, kReply);
    for (Mail mail; receive(mail); idle = false) {
      if (mail.tag == kWork) workshop.give(std::move(mail.text));
      stopped = stopped || mail.tag == kStop;
    }
    if (idle) pause();
  }
  workshop.close();
  for (auto& thread : pool) thread.join();
  send_text(last_words(), 0, kLastWords);
}

}  // namespace

void follow_rank(unsigned threads, const std::function<std::string(const Assignment&)>& compute,
                 const std::function<std::string()>& last_words) {
  work_on_jobs(
      threads,
      [&](const std::string& job) {
        std::string rest;
        const Assignment work = assignment_from(job, rest);
        return reply_to(job, [&] { return compute(work); });
      },
      last_words);
}

void answer_courier(unsigned threads, const std::function<std::string(const std::string&)>& compute,
                    const std::function<std::string()>& last_words) {
  work_on_jobs(
      threads,
      [&](const std::string& job) {
        const auto end = job.find('\n');
        return reply_to(job.substr(0, end), [&] { return compute(job.substr(end + 1)); });
      },
      last_words);
}

std::vector<std::string> Courier::serve(const std::function<void()>& study) {
  auto ended = std::async(std::launch::async, study);
  for (bool over = false; !over || !all_answered();) {
    bool idle = true;
    for (Mail mail; receive(mail); idle = false) take_mail(mail.from, mail.tag == kReply, mail.text);
    for (const Errand& errand : posted()) send_text(errand.text, errand.rank, kWork), idle = false;
    over = ended.wait_for(std::chrono::seconds(0)) == std::future_status::ready;
    if (idle) pause();
  }
  auto last_words = part_from_ranks();
  ended.get();
  return last_words;
}

#endif

}  // namespace cohlink
