// The guided lecture: a dozen benches, each of which shows one thing and the block that undoes it.
#pragma once

#include <span>
#include <string_view>

namespace cohlink::live {

struct LectureStep {
  std::string_view title;
  std::string_view text;      // what to see, and which block undoes it: two sentences or three
  std::string_view scenario;  // INI text over the bench that all steps share
  std::string_view block;     // title of the block to look behind
};

std::span<const LectureStep> lecture();

/// INI text that all steps begin with.
std::string_view lecture_bench();

}  // namespace cohlink::live
