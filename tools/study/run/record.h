// What was counted, as one line of text that reads back exactly: for journals, parts and messages.
#pragma once

#include <string>
#include <string_view>

#include "tools/study/run/frame.h"
#include "tools/study/search/required_osnr.h"

namespace cohlink {

std::string to_line(const FrameResult& result);
std::string to_line(const RequiredOsnr& found);

/// Throws std::invalid_argument for text that to_line did not write.
FrameResult frame_result_from(std::string_view line);
RequiredOsnr required_osnr_from(std::string_view line);

}  // namespace cohlink
