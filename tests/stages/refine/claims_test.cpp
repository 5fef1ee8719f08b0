// Single steps behind what the images deny, and the sigmas of what they confirm.
#include <gtest/gtest.h>

#include <cmath>
#include <random>
#include <utility>

#include "core/angle.h"
#include "stages/refine/capture.h"
#include "stages/refine/shared.h"

namespace trunnion::refine {
namespace claims_test {

RigModel rings_of_six() {
  RigModel model;
  for (std::size_t r = 0; r < 2; ++r) {
    RingModel ring{};
    ring.stage_R.setIdentity();
    ring.axis = r;
    // Half a degree, a tenth of a millimetre: of a nominal axis.
    const Eigen::Matrix<double, 5, 1> sigmas{0.01, 0.01, 0.1, 0.1, 0.1};
    ring.sqrt_information = sigmas.cwiseInverse().asDiagonal();
    ring.sigma_azimuth_offset = 0.01;
    model.rings.push_back(ring);
    for (int k = 0; k < 6; ++k) {
      StationModel station;
      station.ring = station.axis = r;
      station.stage_angle = radians(60.0 * k);
      station.sigma_angle = 0.001;
      model.stations.push_back(station);
    }
  }
  return model;
}

std::vector<Place> all_away(const RigModel& model, std::size_t from, std::size_t to, double by) {
  std::vector<Place> places;
  for (std::size_t v = from; v < to; ++v) {
    const StationModel& station = model.stations[v];
    places.push_back({v, station.ring, station.stage_angle + by, 50, 0});
  }
  return places;
}

void expect_a_step_before(std::size_t view, std::vector<Place> places) {
  const auto jump = take_common_jump(rings_of_six(), places);
  ASSERT_TRUE(jump);
  EXPECT_EQ(jump->view, view);
  EXPECT_NEAR(degrees(jump->correction), 60.0, 1e-9);
  EXPECT_TRUE(places.empty());
}

TEST(RefineCommonJump, StationsToTheEndOfTheRingStandBehindAJump) {
  expect_a_step_before(8, all_away(rings_of_six(), 8, 12, radians(60.0)));
}

// The solution may follow the stations behind a jump. It is those before it that stand right.
TEST(RefineCommonJump, StationsBeforeAJumpAreNotAccused) {
  std::vector<Place> places = all_away(rings_of_six(), 0, 4, radians(-60.0));
  places[2].angle += radians(7.0);  // by a bent rig
  expect_a_step_before(4, std::move(places));
}

TEST(RefineCommonJump, StationsInTheMiddleAreNone) {
  const RigModel model = rings_of_six();
  std::vector<Place> places = all_away(model, 1, 4, radians(-60.0));
  EXPECT_FALSE(take_common_jump(model, places));
  EXPECT_EQ(places.size(), 3U);
}

// Information of images that hold some directions far better than others, and stations
// far from where they are given: no variance may be lost to rounding.
TEST(RefineWeights, NoVarianceIsNegativeWhateverTheImagesHold) {
  const RigModel model = rings_of_six();
  const ParameterIndex index(model);
  RigValues values = zero_values(model);
  for (std::size_t v = 1; v < 12; ++v) values.angle[v] = radians(60.0);
  const SharedErrors errors{0.1, 100, 0.01, true};
  std::mt19937 random(3);
  std::normal_distribution<double> normal;
  for (int trial = 0; trial < 50; ++trial) {
    Eigen::MatrixXd seen = Eigen::MatrixXd::Zero(8, index.size());
    for (Eigen::Index r = 0; r < seen.rows(); ++r) {
      for (Eigen::Index c = 0; c < index.log_distance(); ++c) {
        seen(r, c) = std::pow(30.0, static_cast<double>(r)) * normal(random);
      }
    }
    const WeighedRig rig = weigh_against_priors(model, values, seen.transpose() * seen, errors, {});
    for (int k = 0; k < index.log_distance(); ++k) {
      EXPECT_GE(rig.covariance(k, k), 0.0) << "trial " << trial << ", parameter " << k;
    }
    EXPECT_TRUE(rig.covariance.allFinite());
  }
}

}  // namespace claims_test
}  // namespace trunnion::refine
