#include "sim/signal/propagation/cuda/form_of.cuh"

namespace cohlink::cuda {

template <>
Form row_form<double>(Purpose purpose, int length, int elements) {
  static const Form forms[] = {
      row_form_of<double, Few<64, 4, 64, 16>>(),     row_form_of<double, Few<128, 4, 64, 16>>(),
      row_form_of<double, Few<256, 4, 128, 8>>(),    row_form_of<double, Few<512, 8, 128, 4>>(),
      row_form_of<double, Many<64, 8, 64, 10>>(),    row_form_of<double, Many<128, 8, 64, 10>>(),
      row_form_of<double, Many<256, 16, 128, 3>>(),  row_form_of<double, Many<512, 8, 128, 5>>(),
      row_form_of<double, Many<1024, 16, 128, 3>>(), row_form_of<double, Many<2048, 16, 256, 2>>(),
      row_form_of<double, Many<4096, 16, 512, 1>>()};
  return find(forms, purpose, length, elements);
}

}  // namespace cohlink::cuda
