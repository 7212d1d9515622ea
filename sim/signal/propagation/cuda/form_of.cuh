// Fills forms.h's tables.
#pragma once

#include "sim/signal/propagation/cuda/forms.h"
#include "sim/signal/propagation/cuda/passes.cuh"

namespace cohlink::cuda {

template <int kLength, int kElements, int kBlock, int kResident>
using Few = Shape<kLength, kElements, kBlock, kResident, Purpose::kFewLinks>;
template <int kLength, int kElements, int kBlock, int kResident>
using Many = Shape<kLength, kElements, kBlock, kResident, Purpose::kManyLinks>;

template <class Real, class Shape, class Lay>
Form form_without_kernels(int layouts) {
  Form form;
  form.purpose = Shape::kAhead ? Purpose::kFewLinks : Purpose::kManyLinks;
  form.length = Shape::kL;
  form.log_e = Lay::kLogE;
  form.threads = Shape::kThreads;
  form.resident = Shape::kBlocks;
  form.together = Shape::template kTogether<Real>;
  for (int e = 0; e < Shape::kE; ++e) form.part[e] = Lay::part(e);
  form.shared = Lay::kSamples * layouts * sizeof(typename Shape::template Held<Real>);
  return form;
}

template <class Real, class Shape>
Form row_form_of() {
  using Lay = Places<Shape::kL, Shape::kE, Shape::template kHolders<Real>>;
  Form form = form_without_kernels<Real, Shape, Lay>(Shape::template kTogether<Real>);
  form.plain = reinterpret_cast<const void*>(&row_kernel<Real, Shape, Rows::kChirp>);
  form.kernel = reinterpret_cast<const void*>(&row_kernel<Real, Shape, Rows::kSections>);
  form.ends = reinterpret_cast<const void*>(&row_kernel<Real, Shape, Rows::kAny>);
  return form;
}

template <class Real, class Shape>
Form column_form_of() {
  using Lay = Places<Shape::kL, Shape::kE, Shape::template kTogether<Real> * Shape::template kHolders<Real>>;
  Form form = form_without_kernels<Real, Shape, Lay>(1);
  form.kernel = reinterpret_cast<const void*>(&column_kernel<Real, Shape, true>);
  form.ends = reinterpret_cast<const void*>(&column_kernel<Real, Shape, false>);
  return form;
}

template <std::size_t kCount>
Form find(const Form (&forms)[kCount], Purpose purpose, int length, int elements) {
  for (const Form& form : forms) {
    if (form.purpose == purpose && form.length == length && 1 << form.log_e == elements) return form;
  }
  return {};
}

}  // namespace cohlink::cuda
