// A number that counts what is done with it: a block's kernel, instantiated with it, tells what the block
// costs.
#pragma once

#include <cmath>

#include "rx/stage/cost.h"

namespace cohlink {

/// Arithmetic as on doubles, counted by the rules of Operations (cost.h) into the Count that lives. Values
/// flow along, so that decisions and branches go as with plain numbers. Not thread-safe across one Count:
/// each thread has its own.
class Counted {
  static Operations& counter() {
    thread_local Operations operations;
    return operations;
  }
  template <class T>
  static T done(const Operations& operations, T value) {
    counter() += operations;
    return value;
  }

 public:
  Counted(double value = 0.0) : value_(value) {}
  double value() const { return value_; }

  Counted operator-() const { return -value_; }
  Counted& operator+=(const Counted& o) { return *this = *this + o; }
  Counted& operator-=(const Counted& o) { return *this = *this - o; }
  Counted& operator*=(const Counted& o) { return *this = *this * o; }

  friend Counted operator+(const Counted& a, const Counted& b) {
    return done({0, 1, 0}, a.value_ + b.value_);
  }
  friend Counted operator-(const Counted& a, const Counted& b) {
    return done({0, 1, 0}, a.value_ - b.value_);
  }
  friend Counted operator*(const Counted& a, const Counted& b) {
    return done({1, 0, 0}, a.value_ * b.value_);
  }
  friend Counted operator/(const Counted& a, const Counted& b) {
    return done({1, 0, 0}, a.value_ / b.value_);
  }
  friend bool operator<(const Counted& a, const Counted& b) { return done({0, 1, 0}, a.value_ < b.value_); }
  friend bool operator>(const Counted& a, const Counted& b) { return b < a; }

  friend Counted magnitude(const Counted& a) { return std::fabs(a.value_); }
  friend Counted fabs(const Counted& a) { return std::fabs(a.value_); }
  friend Counted copysign(const Counted& a, const Counted& sign) {
    return std::copysign(a.value_, sign.value_);
  }
  friend Counted lesser(const Counted& a, const Counted& b) { return a < b ? a : b; }

  /// Operations of everything in `kernel()` on this thread.
  template <class Kernel>
  static Operations count(const Kernel& kernel) {
    const Operations before = counter();
    counter() = {};
    kernel();
    const Operations counted = counter();
    counter() = before;
    return counted;
  }

 private:
  double value_;
};

}  // namespace cohlink
