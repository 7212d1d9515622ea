#include "tools/live/page.h"

#include <algorithm>

namespace cohlink::live {
namespace {

constexpr EmbeddedFile kPage[] = {
#include "live/page.inc"
};
constexpr EmbeddedFile kPresets[] = {
#include "live/presets.inc"
};

}  // namespace

std::span<const EmbeddedFile> page_files() { return kPage; }
std::span<const EmbeddedFile> preset_files() { return kPresets; }

const EmbeddedFile* find_page_file(std::string_view name) {
  const auto found =
      std::find_if(std::begin(kPage), std::end(kPage), [&](const EmbeddedFile& f) { return f.name == name; });
  return found == std::end(kPage) ? nullptr : found;
}

}  // namespace cohlink::live
