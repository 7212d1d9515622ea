// The page's files and the scenarios of scenarios/, as they were when the program was built.
#pragma once

#include <span>
#include <string_view>

namespace cohlink::live {

struct EmbeddedFile {
  std::string_view name, type, content;  // type: of the media, for HTTP
};

std::span<const EmbeddedFile> page_files();
/// By name; null where there is none.
const EmbeddedFile* find_page_file(std::string_view name);

/// Ready scenarios, by name without ".ini".
std::span<const EmbeddedFile> preset_files();

}  // namespace cohlink::live
