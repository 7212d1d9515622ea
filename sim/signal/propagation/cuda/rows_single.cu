#include "sim/signal/propagation/cuda/form_of.cuh"

namespace cohlink::cuda {

template <>
Form row_form<float>(Purpose purpose, int length, int elements) {
  static const Form forms[] = {
      row_form_of<float, Few<64, 4, 64, 24>>(),    row_form_of<float, Few<128, 4, 64, 24>>(),
      row_form_of<float, Few<256, 8, 64, 16>>(),   row_form_of<float, Few<512, 8, 128, 8>>(),
      row_form_of<float, Few<2048, 16, 256, 2>>(), row_form_of<float, Many<64, 8, 64, 12>>(),
      row_form_of<float, Many<128, 8, 64, 12>>(),  row_form_of<float, Many<256, 8, 128, 6>>(),
      row_form_of<float, Many<512, 8, 128, 6>>(),  row_form_of<float, Many<1024, 8, 128, 6>>(),
      row_form_of<float, Many<2048, 8, 256, 3>>(), row_form_of<float, Many<2048, 16, 128, 4>>(),
      row_form_of<float, Many<4096, 16, 256, 2>>()};
  return find(forms, purpose, length, elements);
}

}  // namespace cohlink::cuda
