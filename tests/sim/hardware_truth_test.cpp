// The hardware's truth in files.
#include <doctest/doctest.h>

#include <filesystem>
#include <string>

#include "sim/signal/record/hardware_truth.h"
#include "sim/signal/record/hdf5.h"
#include "sim/signal/record/hdf5_write.h"
#include "sim/signal/scenario/errors.h"
#include "tests/sim/look_at_codes.h"

using namespace cohlink;
using namespace cohlink::test;

TEST_CASE("hardware truth reads back from the file as it was written, units beside it") {
  const Capture c = capture_with(
      {"transmitter.modulator=iq", "transmitter.dac_sample_rate_gsa=50.01", "transmitter.iq_skew_ps=1",
       "frontend.cmrr_db=20", "frontend.pbs_angle_deg=2", "adc.interleave=3", "adc.interleave_gain_percent=1",
       "adc.sine_jitter_fs=20", "adc.clock_phase_samples=0.25", "laser_lo.rin_db_per_hz=-140",
       "frontend.bandwidth_ghz=30", "frontend.output_saturation_mv=400",
       "transmitter.driver_saturation_v=3"});
  const std::string path =
      (std::filesystem::temp_directory_path() / "cohlink-hardware-truth-round-trip.h5").string();
  write_capture(c, path);
  const Truth read = *read_capture(path).truth;
  CHECK(*read.transmitter == *c.truth->transmitter);
  CHECK(*read.frontend == *c.truth->frontend);
  CHECK(*read.lanes == *c.truth->lanes);
  CHECK(read.transmitter->bias_deg.has_value());
  const auto file = h5::File::open(path);
  CHECK(file.shape("/truth/frontend/lo_power_w") == h5::Shape{4, 2});
  CHECK(file.attribute_text("/truth/frontend/lo_power_w", "unit") == "W");
  CHECK(file.attribute_text("/truth/transmitter/dac_sample_rate_hz", "unit") == "Hz");
  std::filesystem::remove(path);
}

TEST_CASE(
    "hardware truth of earlier versions leaves the defaults; a data set of the wrong size is refused by "
    "name") {
  const std::string path =
      (std::filesystem::temp_directory_path() / "cohlink-hardware-truth-part.h5").string();
  h5::create(path, [](h5::NewFile& f) {
    f.write("/truth/lanes/skew_ps", Row{0.0, 1.0, 0.0, 2.0});
    f.write("/truth/frontend/cmrr_db", Row{20.0, 20.0, 20.0});
  });
  const auto file = h5::File::open(path);
  CHECK_FALSE(read_transmitter_truth(file).has_value());
  CHECK(read_lane_truth(file)->skew_ps == PerLane{0.0, 1.0, 0.0, 2.0});
  CHECK(read_lane_truth(file)->gain == PerLane{1.0, 1.0, 1.0, 1.0});
  const std::string message = path + ": data set /truth/frontend/cmrr_db must be [4], not [3]";
  CHECK_THROWS_WITH_AS(read_frontend_truth(file), message.c_str(), InputError);
  std::filesystem::remove(path);
}
