#include "sim/signal/version.h"

namespace cohlink {

Version version() {
  return {
#include "version.inc"
  };
}

}  // namespace cohlink
