#include "sim/signal/propagation/cuda/form_of.cuh"

namespace cohlink::cuda {

template <>
Form column_form<double>(int length, int elements, int together) {
  static const Form forms[] = {
      column_form_of<double, Shape<64, 8, 64, 6>>(),    column_form_of<double, Shape<128, 8, 64, 6>>(),
      column_form_of<double, Shape<256, 8, 64, 6>>(),   column_form_of<double, Shape<256, 8, 128, 3>>(),
      column_form_of<double, Shape<512, 8, 128, 3>>(),  column_form_of<double, Shape<1024, 8, 256, 1>>(),
      column_form_of<double, Shape<2048, 8, 512, 1>>(), column_form_of<double, Shape<4096, 8, 512, 1>>()};
  return find(forms, length, elements, together);
}

}  // namespace cohlink::cuda
