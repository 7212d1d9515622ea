// A worker for as long as a call lasts.
#pragma once

#include <exception>
#include <memory>
#include <utility>

#include "sim/signal/propagation/cuda/cuda_engine.h"
#include "sim/signal/propagation/cuda/worker.h"

namespace cohlink::cuda {

/// As Cards::take; the worker's card becomes the calling thread's.
class Loan {
 public:
  Loan(Cards& cards, std::size_t bytes, const Execution& execution)
      : cards_(cards), worker_(cards.take(bytes, execution)) {
    try {
      worker_->enter();
    } catch (...) {
      cards_.give_back(std::move(worker_), false);
      throw;
    }
  }
  // A worker that an error has stopped is not used again.
  ~Loan() { cards_.give_back(std::move(worker_), std::uncaught_exceptions() == exceptions_); }
  Loan(const Loan&) = delete;
  Loan& operator=(const Loan&) = delete;
  Worker& operator*() const { return *worker_; }

 private:
  Cards& cards_;
  std::unique_ptr<Worker> worker_;
  int exceptions_ = std::uncaught_exceptions();
};

}  // namespace cohlink::cuda
