#include "tools/study/plan/arithmetic.h"

#include <map>
#include <sstream>

#include "sim/signal/propagation/cpu/kernels.h"

namespace cohlink {

std::string arithmetic_of(const FftCache& fft) {
  return std::string("vector loops: ") + kernels::best_kernels_name() + "\n" + fft.roundings();
}

std::string unlike_arithmetic(const std::string& a, const std::string& b) {
  std::map<std::string, std::string> known;
  std::istringstream first(a), second(b);
  for (std::string line; std::getline(first, line);) known[line.substr(0, line.find(':'))] = line;
  for (std::string line; std::getline(second, line);) {
    const std::string name = line.substr(0, line.find(':'));
    if (const auto other = known.find(name); other != known.end() && other->second != line) return name;
  }
  return "";
}

std::string arithmetic_remark(const std::string& who, const std::string& what) {
  return who + " round differently (" + what +
         "): the numbers are as good, but may differ in last digits and single errors from those of one "
         "process; run.fft_planning=estimated makes machines of one kind agree";
}

}  // namespace cohlink
