#include "sim/signal/propagation/cuda/form_of.cuh"

namespace cohlink::cuda {

template <>
Form column_form<float>(int length, int elements, int together) {
  static const Form forms[] = {
      column_form_of<float, Shape<64, 8, 64, 12>>(),    column_form_of<float, Shape<128, 8, 128, 6>>(),
      column_form_of<float, Shape<256, 8, 64, 12>>(),   column_form_of<float, Shape<256, 8, 128, 6>>(),
      column_form_of<float, Shape<512, 8, 256, 3>>(),   column_form_of<float, Shape<256, 16, 128, 4>>(),
      column_form_of<float, Shape<512, 16, 256, 2>>(),  column_form_of<float, Shape<1024, 16, 256, 2>>(),
      column_form_of<float, Shape<2048, 16, 512, 1>>(), column_form_of<float, Shape<4096, 16, 512, 1>>()};
  return find(forms, length, elements, together);
}

}  // namespace cohlink::cuda
