// Failures named after the point they happened at.
#pragma once

#include <exception>
#include <new>
#include <string>

#include "sim/signal/scenario/errors.h"
#include "tools/study/plan/plan.h"

namespace cohlink {

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

}  // namespace cohlink
