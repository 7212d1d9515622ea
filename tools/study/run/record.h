// What was counted, as one line of text that reads back exactly: for journals, parts and messages.
#pragma once

#include <cstddef>
#include <cstdint>
#include <string>
#include <string_view>
#include <vector>

#include "tools/study/plan/outputs.h"
#include "tools/study/run/frame.h"
#include "tools/study/search/growth.h"
#include "tools/study/search/required_osnr.h"

namespace cohlink {

std::string to_line(const FrameResult& result);
std::string to_line(const RequiredOsnr& found);
std::string to_line(const GrowthLimit& found);
std::string to_line(const MeasuredOutput& measured);

/// Throws std::invalid_argument for text that to_line did not write.
FrameResult frame_result_from(std::string_view line);
RequiredOsnr required_osnr_from(std::string_view line);
GrowthLimit growth_limit_from(std::string_view line);
MeasuredOutput measured_output_from(std::string_view line);

/// A record of several lines, one each; empty ones are left out.
std::vector<std::string> lines_of(const std::string& text);

/// Takes the number and the space after it off the front of a line; std::invalid_argument if there is none.
std::uint64_t leading_number(std::string_view& line);

/// One frame of one point: "point frame result".
struct FrameRecord {
  std::size_t point;
  std::uint64_t frame;
  FrameResult result;
};
std::string to_line(std::size_t point, std::uint64_t frame, const FrameResult& result);
FrameRecord frame_record_from(std::string_view line);

}  // namespace cohlink
