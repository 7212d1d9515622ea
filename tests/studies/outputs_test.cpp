// Intervals of what a frame gives beside its errors, against tables and against the exact SNR.
#include "tools/study/plan/outputs.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>

#include "sim/link.h"
#include "sim/signal/units.h"
#include "tests/validation.h"
#include "tools/study/files/table.h"
#include "tools/study/plan/receiver_outputs.h"
#include "tools/study/run/executor.h"
#include "tools/study/run/frame.h"

using namespace cohlink;

namespace {

FrameResult frames_of(const std::string& output, const std::vector<double>& values) {
  FrameResult total;
  for (const double value : values) {
    FrameResult frame;
    frame.outputs[output] = value;
    total += frame;
  }
  return total;
}

}  // namespace

TEST_CASE("every output has one row, one name and a unit that its name bears") {
  std::vector<std::string> names = output_names();
  const auto count = names.size();
  std::sort(names.begin(), names.end());
  CHECK(std::unique(names.begin(), names.end()) == names.end());
  CHECK(count >= output_rows().size() + event_rows().size());
  for (const OutputRow& row : output_rows()) {
    CAPTURE(std::string(row.name));
    CHECK(&row_of(row.output) == &row);
    CHECK(!std::string(row.meaning).empty());
    // Ratios and counts have none; of all others the bounds are named with the unit last, as the value is.
    const std::string unit = unit_of_column(row.name);
    CHECK(unit == unit_of_column(bound_name(row.name, "low")));
  }
}

TEST_CASE("the mean of a few frames has Student's interval") {
  // t of 95 % with 3 degrees of freedom is 3.182 (any table); 1, 2, 3, 4 deviate by 1.2910.
  const MeasuredOutput m = measured(frames_of("gmi_bits", {1, 2, 3, 4}), "gmi_bits");
  CHECK(m.value == doctest::Approx(2.5));
  CHECK(m.high - m.value == doctest::Approx(3.182 * 1.2910 / 2.0).epsilon(1e-3));
  CHECK(m.value - m.low == doctest::Approx(m.high - m.value));
  CHECK(std::isnan(measured(frames_of("gmi_bits", {1}), "gmi_bits").low));
  CHECK(std::isnan(measured(FrameResult(), "gmi_bits").value));
}

TEST_CASE("events have the exact Poisson interval, wider where frames differ by more than chance") {
  // Garwood, Biometrika 28, 437 (1936), table: 0 events 0 to 3.689, 10 events 4.795 to 18.39.
  const MeasuredOutput none = measured(frames_of("cycle_slips", {0}), "cycle_slips");
  CHECK(none.low == 0.0);
  CHECK(none.high == doctest::Approx(3.689).epsilon(1e-3));
  const MeasuredOutput ten = measured(frames_of("cycle_slips", {4, 6}), "cycle_slips");
  CHECK(ten.value == 5.0);
  CHECK(2.0 * ten.low == doctest::Approx(4.795).epsilon(1e-3));
  CHECK(2.0 * ten.high == doctest::Approx(18.39).epsilon(1e-3));
  const MeasuredOutput even = measured(frames_of("cycle_slips", {2, 2, 2, 2, 2, 2, 2, 2}), "cycle_slips");
  const MeasuredOutput bursts = measured(frames_of("cycle_slips", {0, 0, 0, 16, 0, 0, 0, 0}), "cycle_slips");
  CHECK(bursts.value == doctest::Approx(even.value));
  CHECK(bursts.high - bursts.low > 2.0 * (even.high - even.low));
}

TEST_CASE("over 200 short sweeps the interval of the SNR holds the exact one 91 to 98 % of the time") {
  static FftCache fft(FftPlanning::kEstimate);
  Scenario scenario;
  scenario.read_text(
      "[signal]\nsymbols = 1024\n[run]\nsamples_per_symbol = 2\n[adc]\nbits = 12\nloading_db = -14\n"
      "[dsp]\nchain = resample,matched-filter,decimate,phase\nphase_recovery = genie\n[channel]\nosnr_db = "
      "11\n",
      "test");
  const double exact = 11.0 - to_db(32.0 / 12.5);
  int held = 0;
  const int sweeps = 200;
  for (int sweep = 0; sweep < sweeps; ++sweep) {
    scenario.set("run.seed=" + std::to_string(sweep));
    const Link link(scenario, fft);
    const Receiver receiver(scenario, fft);
    Tally tally({0, 4});
    for (std::uint64_t frame = 0; !tally.done(); ++frame)
      tally.add(frame, run_frame(link, receiver, frame, 0));
    const MeasuredOutput m = measured(tally.total(), "snr_db");
    held += m.low <= exact && exact <= m.high;
  }
  MESSAGE("held in " << held << " of " << sweeps);
  validation::record(
      "share of 95 % intervals of a measured SNR that hold the exact one, 200 sweeps of four frames",
      "Student (W. S. Gosset), Biometrika 6, 1 (1908)", 95.0, 100.0 * held / sweeps, 4.0, "%");
  CHECK(held >= 0.91 * sweeps);
  CHECK(held <= 0.98 * sweeps);
}

TEST_CASE("bounds keep the unit last") {
  CHECK(bound_name("snr_db", "low") == "snr_low_db");
  CHECK(bound_name("dispersion_ps_per_nm", "high") == "dispersion_high_ps_per_nm");
  CHECK(bound_name("cycle_slips", "low") == "cycle_slips_low");
}
