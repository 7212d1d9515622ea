#include <doctest/doctest.h>

#include "tools/study/plan/arithmetic.h"

using namespace cohlink;

TEST_CASE("arithmetic differs only in what both sides have") {
  const std::string here = "vector loops: avx2\nFFT double 64: 1\nFFT single 64: 2\n";
  CHECK(unlike_arithmetic(here, here).empty());
  CHECK(unlike_arithmetic(here, "vector loops: avx2\nFFT double 128: 7\n").empty());
  CHECK(unlike_arithmetic(here, "vector loops: avx2\nFFT single 64: 3\n") == "FFT single 64");
  CHECK(unlike_arithmetic("vector loops: avx512\n", here) == "vector loops");
}

TEST_CASE("the same plans round alike, and say so") {
  FftCache one(FftPlanning::kEstimate, ""), other(FftPlanning::kEstimate, "");
  one.get<double>(96);
  other.get<double>(96);
  other.get<float>(96);
  CHECK(one.roundings().starts_with("FFT double 96: "));
  CHECK(other.roundings().starts_with(one.roundings()));
  CHECK(unlike_arithmetic(arithmetic_of(one), arithmetic_of(other)).empty());
}
