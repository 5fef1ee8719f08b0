// Which station of the set an image belongs to, and its neighbours on the ring.
#pragma once

#include <cstddef>
#include <string>
#include <vector>

namespace trunnion {

// A station as messages and the report name it, "low 4"; files have their own names, "low_004".
std::string station_text(const std::string& ring, int station);

struct StationId {
  std::string ring;
  int station = 0;
  double stage_angle = 0;  // rad, signed by the direction of turning
};

// Indices of a station and of those beside it on its ring, by stage angle.
struct StationNeighbours {
  std::size_t before = 0;
  std::size_t here = 0;
  std::size_t after = 0;
  bool near = false;  // within 46 degrees on both sides: they show the same side of the specimen
};

// One a station, ring by ring, by stage angle modulo a full turn. The ring closes: the last station
// stands before the first. On a ring of fewer than three none is near.
std::vector<StationNeighbours> station_neighbours(const std::vector<StationId>& stations);

}  // namespace trunnion
