#include "sim/signal/propagation/cuda/form_of.cuh"

namespace cohlink::cuda {

template <>
Form column_form<double>(Purpose purpose, int length, int elements) {
  static const Form forms[] = {
      column_form_of<double, Few<64, 4, 64, 16>>(),     column_form_of<double, Few<128, 4, 128, 8>>(),
      column_form_of<double, Few<128, 8, 128, 5>>(),    column_form_of<double, Few<256, 8, 256, 2>>(),
      column_form_of<double, Few<512, 8, 256, 2>>(),    column_form_of<double, Many<64, 8, 64, 10>>(),
      column_form_of<double, Many<256, 16, 128, 3>>(),  column_form_of<double, Many<512, 8, 256, 2>>(),
      column_form_of<double, Many<1024, 16, 256, 2>>(), column_form_of<double, Many<2048, 16, 256, 2>>(),
      column_form_of<double, Many<4096, 16, 512, 1>>()};
  return find(forms, purpose, length, elements);
}

}  // namespace cohlink::cuda
