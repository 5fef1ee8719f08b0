#include "core/station.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <map>

#include "core/angle.h"

namespace trunnion {

std::string station_text(const std::string& ring, int station) {
  return ring.empty() ? fmt::format("station {}", station) : fmt::format("{} {}", ring, station);
}

std::vector<StationNeighbours> station_neighbours(const std::vector<StationId>& stations) {
  constexpr double kSameSide = radians(46.0);  // wider steps show another side
  std::map<std::string, std::vector<std::size_t>> rings;
  for (std::size_t i = 0; i < stations.size(); ++i) rings[stations[i].ring].push_back(i);
  const auto turn = [&](std::size_t i) {
    const double a = std::fmod(stations[i].stage_angle, 2.0 * kPi);
    return a < 0 ? a + 2.0 * kPi : a;
  };
  const auto gap = [&](std::size_t a, std::size_t b) {
    const double d = turn(b) - turn(a);
    return d < 0 ? d + 2.0 * kPi : d;
  };
  std::vector<StationNeighbours> result;
  for (auto& [name, ring] : rings) {
    std::stable_sort(ring.begin(), ring.end(),
                     [&](std::size_t a, std::size_t b) { return turn(a) < turn(b); });
    const std::size_t n = ring.size();
    for (std::size_t k = 0; k < n; ++k) {
      StationNeighbours each{ring[(k + n - 1) % n], ring[k], ring[(k + 1) % n], false};
      each.near = n >= 3 && gap(each.before, each.here) <= kSameSide &&
                  gap(each.here, each.after) <= kSameSide;
      result.push_back(each);
    }
  }
  return result;
}

}  // namespace trunnion
