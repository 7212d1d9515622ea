#include "sim/signal/propagation/cuda/form_of.cuh"

namespace cohlink::cuda {

template <>
Form row_form<float>(int length, int elements) {
  static const Form forms[] = {
      row_form_of<float, Shape<64, 8, 64, 12>>(),    row_form_of<float, Shape<128, 8, 64, 12>>(),
      row_form_of<float, Shape<256, 8, 64, 12>>(),   row_form_of<float, Shape<512, 8, 128, 6>>(),
      row_form_of<float, Shape<256, 16, 128, 4>>(),  row_form_of<float, Shape<512, 16, 128, 4>>(),
      row_form_of<float, Shape<1024, 16, 128, 4>>(), row_form_of<float, Shape<2048, 16, 128, 4>>(),
      row_form_of<float, Shape<4096, 16, 256, 2>>()};
  return find(forms, length, elements, 0);
}

}  // namespace cohlink::cuda
