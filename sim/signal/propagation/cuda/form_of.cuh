// Fills forms.h's tables.
#pragma once

#include "sim/signal/propagation/cuda/forms.h"
#include "sim/signal/propagation/cuda/passes.cuh"

namespace cohlink::cuda {

template <class Shape, class Lay>
Form form_without_kernels(int layouts) {
  Form form;
  form.length = Shape::kL;
  form.log_e = Lay::kLogE;
  form.threads = Shape::kThreads;
  form.together = Shape::kTogether;
  form.shared = static_cast<std::size_t>(Lay::kSamples * layouts);
  return form;
}

template <class Real, class Shape>
Form row_form_of() {
  Form form = form_without_kernels<Shape, Places<Shape::kL, Shape::kE, 1>>(Shape::kTogether);
  form.shared *= sizeof(Sample<Real>);
  form.kernel = reinterpret_cast<const void*>(&row_kernel<Real, Shape>);
  return form;
}

template <class Real, class Shape>
Form column_form_of() {
  Form form = form_without_kernels<Shape, Places<Shape::kL, Shape::kE, Shape::kTogether>>(1);
  form.shared *= sizeof(Sample<Real>);
  form.kernel = reinterpret_cast<const void*>(&column_kernel<Real, Shape, true>);
  form.ends = reinterpret_cast<const void*>(&column_kernel<Real, Shape, false>);
  return form;
}

template <std::size_t kCount>
Form find(const Form (&forms)[kCount], int length, int elements, int together) {
  for (const Form& form : forms) {
    if (form.length == length && 1 << form.log_e == elements && (together == 0 || form.together == together))
      return form;
  }
  return {};
}

}  // namespace cohlink::cuda
