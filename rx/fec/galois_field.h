// Finite fields of characteristic two, as block codes need them.
#pragma once

#include <cstdint>
#include <vector>

namespace cohlink::fec {

/// GF(2^bits), elements as bit patterns of their polynomials in alpha, a root of the primitive `polynomial`
/// (its bit k: the coefficient of x^k). Products by logarithms. S. Lin and D. J. Costello, Error Control
/// Coding, 2nd ed. (2004), chapter 2.
class GaloisField {
 public:
  using Element = std::uint16_t;

  /// `bits` from 2 to 12; std::invalid_argument for a polynomial that is not primitive or not of that degree.
  GaloisField(int bits, unsigned polynomial);

  /// Elements other than zero, which is the order of alpha.
  int order() const { return order_; }
  /// alpha^exponent, any exponent from 0 to 2 order() - 1.
  Element power(int exponent) const { return powers_[exponent]; }
  /// The exponent, 0 to order() - 1, of an element other than zero.
  int logarithm(Element x) const { return logarithms_[x]; }

  Element multiply(Element a, Element b) const {
    return a == 0 || b == 0 ? Element{0} : powers_[logarithms_[a] + logarithms_[b]];
  }
  /// b is not zero.
  Element divide(Element a, Element b) const {
    return a == 0 ? Element{0} : powers_[logarithms_[a] + order_ - logarithms_[b]];
  }
  Element cube(Element a) const { return multiply(multiply(a, a), a); }

 private:
  int order_;
  std::vector<Element> powers_;  // twice round, so that sums of logarithms need no modulus
  std::vector<int> logarithms_;
};

}  // namespace cohlink::fec
