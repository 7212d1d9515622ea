// sin(2 pi r)/r and cos(2 pi r) as polynomials in u = r^2 for |r| <= 1/4, minimax by the Remez exchange.
// Errors: single 5e-9 (relative) and 2e-10, double 3e-19 and 4e-18, all below the type's own rounding.
// Terms are paired (Estrin's scheme): shorter chains of dependent products keep the pipelines fuller. The
// last argument chooses the precision.
#pragma once

#include "sim/signal/vectors.h"

namespace cohlink::vectors {

template <class V>
COHLINK_VECTOR_INLINE V sine_series(const V& u, float) {
  const V v = u * u;
  return (6.283185273790867718f + u * -41.341677478419987033f) +
         v * ((81.602231244387576435f + u * -76.574992216429606423f) + v * 39.710918377491423099f);
}
template <class V>
COHLINK_VECTOR_INLINE V cosine_series(const V& u, float) {
  const V v = u * u;
  return (0.9999999997806539867f + u * -19.739208548914637264f) +
         v * ((64.939346629573449695f + u * -85.453571628972341543f) +
              v * (60.144015109846320424f + u * -24.98223780380393265f));
}
template <class V>
COHLINK_VECTOR_INLINE V sine_series(const V& u, double) {
  const V v = u * u, w = v * v;
  return ((6.2831853071795864753 + u * -41.341702240399756229) +
          v * (81.605249276073406089 + u * -76.705859752798497043)) +
         w * (((42.058693923785214191 + u * -15.094641620509320134) +
               v * (3.8199270504679103805 + u * -0.71772358005240099238)) +
              w * 0.10085633033826793674);
}
template <class V>
COHLINK_VECTOR_INLINE V cosine_series(const V& u, double) {
  const V v = u * u, w = v * v;
  return ((0.99999999999999999609 + u * -19.739208802178707095) +
          v * (64.93939402266396076 + u * -85.456817205981736187)) +
         w * (((60.244641313230941315 + u * -26.426254069097419304) +
               v * (7.9034625375975839655 + u * -1.7132188587830573307)) +
              w * 0.27194764168888100745);
}

}  // namespace cohlink::vectors
