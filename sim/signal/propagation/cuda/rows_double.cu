#include "sim/signal/propagation/cuda/form_of.cuh"

namespace cohlink::cuda {

// Sixteen samples a thread would not fit into its registers.
template <>
Form row_form<double>(int length, int elements) {
  static const Form forms[] = {
      row_form_of<double, Shape<64, 8, 64, 6>>(),    row_form_of<double, Shape<128, 8, 64, 6>>(),
      row_form_of<double, Shape<256, 8, 64, 6>>(),   row_form_of<double, Shape<512, 8, 128, 3>>(),
      row_form_of<double, Shape<1024, 8, 128, 3>>(), row_form_of<double, Shape<2048, 8, 256, 1>>(),
      row_form_of<double, Shape<4096, 8, 512, 1>>()};
  return find(forms, length, elements, 0);
}

}  // namespace cohlink::cuda
