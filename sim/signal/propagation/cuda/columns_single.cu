#include "sim/signal/propagation/cuda/form_of.cuh"

namespace cohlink::cuda {

template <>
Form column_form<float>(Purpose purpose, int length, int elements) {
  static const Form forms[] = {
      column_form_of<float, Few<64, 4, 64, 24>>(),     column_form_of<float, Few<128, 8, 128, 8>>(),
      column_form_of<float, Few<256, 16, 256, 2>>(),   column_form_of<float, Few<512, 8, 512, 2>>(),
      column_form_of<float, Many<64, 8, 64, 12>>(),    column_form_of<float, Many<256, 16, 128, 4>>(),
      column_form_of<float, Many<1024, 16, 256, 2>>(), column_form_of<float, Many<2048, 16, 256, 2>>(),
      column_form_of<float, Many<4096, 16, 512, 1>>()};
  return find(forms, purpose, length, elements);
}

}  // namespace cohlink::cuda
