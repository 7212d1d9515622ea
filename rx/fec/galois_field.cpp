#include "rx/fec/galois_field.h"

#include <stdexcept>

namespace cohlink::fec {

GaloisField::GaloisField(int bits, unsigned polynomial) : order_((1 << bits) - 1) {
  if (bits < 2 || bits > 12 || polynomial >> bits != 1)
    throw std::invalid_argument("GaloisField: a primitive polynomial of degree 2 to 12 is needed");
  powers_.resize(2 * order_);
  logarithms_.assign(order_ + 1, 0);
  unsigned x = 1;
  for (int e = 0; e < order_; ++e) {
    if (e > 0 && x == 1) throw std::invalid_argument("GaloisField: the polynomial is not primitive");
    powers_[e] = powers_[e + order_] = static_cast<Element>(x);
    logarithms_[x] = e;
    x <<= 1;
    if (x >> bits) x ^= polynomial;
  }
}

}  // namespace cohlink::fec
