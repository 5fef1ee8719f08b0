#include "stages/compare_stations/compare_stations.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <random>

#include "core/angle.h"

namespace trunnion::compare_stations {
namespace compare_stations_test {

using testing::HasSubstr;

// A ring whose backdrop scatters by `scatter` and whose specimen is darker on one side.
std::vector<MeasuredStation> ring_of(int count, double scatter, bool backdrop = true) {
  std::mt19937 random(5);
  std::normal_distribution<double> normal;
  std::vector<MeasuredStation> stations;
  for (int i = 0; i < count; ++i) {
    MeasuredStation station;
    station.file = "fused/low_" + std::to_string(i) + ".tif";
    station.at.ring = "low";
    station.at.station = i;
    station.at.stage_angle = 2.0 * kPi * i / count;
    station.measures.backdrop_level = backdrop ? 1.0 + scatter * normal(random) : 0.0;
    station.measures.specimen_level =
        0.3 * (1.0 + 0.2 * std::cos(station.at.stage_angle) + 0.01 * normal(random));
    station.measures.sharpness = 0.4 + 0.05 * std::sin(station.at.stage_angle);
    stations.push_back(station);
  }
  return stations;
}

void dim(MeasuredStation& station) {  // a third of a stop
  station.measures.backdrop_level *= std::exp2(-1.0 / 3.0);
  station.measures.specimen_level *= std::exp2(-1.0 / 3.0);
}

TEST(CompareStations, AnEvenRingHasNoFindings) {
  for (const bool backdrop : {true, false}) {
    const StationComparison result = compare_stations(ring_of(18, 0.005, backdrop));
    EXPECT_TRUE(result.findings.empty());
    EXPECT_EQ(result.by_backdrop, backdrop);
    for (const RelativeMeasures& relative : result.relative) {
      EXPECT_NEAR(relative.exposure.value_or(0), 1.0, 0.06);
      EXPECT_NEAR(relative.sharpness.value_or(0), 1.0, 0.2);
    }
  }
}

TEST(CompareStations, FindsAThirdOfAStopAtOneStation) {
  for (const bool backdrop : {true, false}) {
    auto stations = ring_of(18, 0.005, backdrop);
    dim(stations[7]);
    const StationComparison result = compare_stations(stations);
    ASSERT_EQ(result.findings.size(), 1U) << backdrop;
    EXPECT_EQ(result.findings[0].file, "fused/low_7.tif");
    EXPECT_THAT(result.findings[0].what, HasSubstr("The exposure is -2"));
  }
}

// sRGB-encoded files show a third of a stop as 2^(-1/3/2.2) = -10 % of their values.
TEST(CompareStations, FindsAThirdOfAStopInEncodedValues) {
  auto stations = ring_of(18, 0.005);
  stations[7].measures.backdrop_level *= std::exp2(-1.0 / 3.0 / 2.2);
  EXPECT_EQ(compare_stations(stations).findings.size(), 1U);
}

TEST(CompareStations, ASlowDriftIsNotTakenForScatter) {
  auto stations = ring_of(18, 0.003);
  for (int i = 0; i < 18; ++i) {
    stations[static_cast<std::size_t>(i)].measures.backdrop_level *= 1.0 + 0.3 * i / 17.0;
  }
  const StationComparison result = compare_stations(stations);
  EXPECT_GE(result.findings.size(), 6U);
  EXPECT_THAT(result.findings.front().file, HasSubstr("low_0"));
}

TEST(CompareStations, AScatteringBackdropRaisesTheLimit) {
  EXPECT_TRUE(compare_stations(ring_of(36, 0.05)).findings.empty());
}

TEST(CompareStations, WhatIsFoundIsShownApartFromWhatIsAllowed) {
  auto stations = ring_of(18, 0.005);
  stations[2].measures.clipped_high = 0.01004;
  EXPECT_THAT(compare_stations(stations).findings.at(0).what,
              HasSubstr("1.004 % of the specimen is overexposed (1 % is allowed)"));
}

TEST(CompareStations, FindsClippingAndSoftStations) {
  auto stations = ring_of(18, 0.005);
  stations[2].measures.clipped_high = 0.05;
  EXPECT_THAT(compare_stations(stations).findings.at(0).what,
              HasSubstr("5.0 % of the specimen is overexposed"));
  stations = ring_of(18, 0.005);
  stations[9].measures.sharpness = 0.16;
  const Findings soft = compare_stations(stations).findings;
  ASSERT_EQ(soft.size(), 1U);
  EXPECT_EQ(soft[0].file, "fused/low_9.tif");
  EXPECT_THAT(soft[0].what, HasSubstr("40 % as sharp as its ring"));
}

TEST(CompareStations, FewOrUnmeasuredStationsAreNotJudged) {
  EXPECT_TRUE(compare_stations({}).relative.empty());
  auto stations = ring_of(3, 0.0);
  dim(stations[1]);
  EXPECT_TRUE(compare_stations(stations).findings.empty());
  std::vector<MeasuredStation> unmeasured(8);
  const StationComparison result = compare_stations(unmeasured);
  EXPECT_TRUE(result.findings.empty());
  EXPECT_FALSE(result.relative[0].exposure.has_value());
  EXPECT_FALSE(result.relative[0].sharpness.has_value());
}

}  // namespace compare_stations_test
}  // namespace trunnion::compare_stations
