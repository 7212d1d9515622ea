#include "tools/cohlink/merged.h"

#include "sim/signal/scenario/errors.h"
#include "tools/cohlink/console.h"

namespace cohlink {

std::optional<Part> asked_part(const CommandLine& line, const std::vector<std::string>& not_with) {
  if (!line.has("part")) return std::nullopt;
  if (line.common().output.empty()) throw InputError("--part needs -o FILE: a part is nothing by itself");
  line.refuse(not_with, "not with --part, which keeps its pieces for 'cohlink merge'");
  return parse_part(line.text("part"), "--part");
}

void note_part(const CommonOptions& options, const Part& part) {
  note(options.quiet, options.output + ": part " + std::to_string(part.number) + " of " +
                          std::to_string(part.count) + "; 'cohlink merge' puts the parts together");
}

}  // namespace cohlink
