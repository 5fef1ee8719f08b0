#include "core/station.h"

#include <gtest/gtest.h>

#include "core/angle.h"

namespace trunnion {
namespace station_test {

// Worked out by hand: stations at 350, 10, 30, 100 and -340 (= 20) degrees.
TEST(StationNeighbours, StandByAngleAroundTheClosedRing) {
  std::vector<StationId> stations;
  for (const double angle_deg : {350.0, 10.0, 30.0, 100.0, -340.0}) {
    stations.push_back({"mid", static_cast<int>(stations.size()), radians(angle_deg)});
  }
  const auto found = station_neighbours(stations);
  ASSERT_EQ(found.size(), 5U);
  const std::size_t by_angle[] = {1, 4, 2, 3, 0};
  for (std::size_t k = 0; k < 5; ++k) {
    EXPECT_EQ(found[k].before, by_angle[(k + 4) % 5]);
    EXPECT_EQ(found[k].here, by_angle[k]);
    EXPECT_EQ(found[k].after, by_angle[(k + 1) % 5]);
  }
  const bool near[] = {true, true, false, false, false};  // gaps 20, 10, 10, 70 and 250 degrees
  for (std::size_t k = 0; k < 5; ++k) EXPECT_EQ(found[k].near, near[k]) << k;
}

TEST(StationNeighbours, RingsAreApartAndTwoStationsAreNotNear) {
  const std::vector<StationId> stations{
      {"low", 0, 0.0}, {"high", 0, 0.1}, {"low", 1, 0.2}, {"high", 1, 0.3}};
  const auto found = station_neighbours(stations);
  ASSERT_EQ(found.size(), 4U);
  for (const StationNeighbours& each : found) {
    EXPECT_EQ(stations[each.before].ring, stations[each.here].ring);
    EXPECT_EQ(stations[each.after].ring, stations[each.here].ring);
    EXPECT_FALSE(each.near);
  }
  EXPECT_TRUE(station_neighbours({}).empty());
}

TEST(StationText, IsRingAndNumber) {
  EXPECT_EQ(station_text("low", 4), "low 4");
  EXPECT_EQ(station_text("", 4), "station 4");
}

}  // namespace station_test
}  // namespace trunnion
