// What was shot: the workspace's specimen.toml, without the processing settings (settings.h).
//
//   title = "Beetle 12"
//   setup = "../setups/macro.toml"      # relative to the workspace
//   [backdrop]
//   kind = "black"                      # "auto", "black", "white", "grey" or "colour"
//   empty = "fused/empty.tif"           # optional: an image of the stage without the specimen
//   [[ring]]
//   name = "low"
//   elevation_deg = 20.0                # of the camera above the stage (or tilt of the stage)
//   tilt_deg = 0.0                      # about the second axis, see [tilt]
//   reference_mm = 0.0                  # rail position of the reference slice, as in a shot list
//   stations = 24
//   step_deg = 15.0                     # default 360 / stations
//   start_deg = 0.0
//   turning = "counter-clockwise"       # of the specimen, seen from above
//   pattern = "fused/low_{station}.tif" # {station}: digits; numbering starts at first_station
//   first_station = 0
//   frames = 61                         # optional: fused into each image, where all have as many
//   [captures]
//   table = "captures.csv"              # instead of patterns; columns: capture_table.h
//   [tilt]                              # the second axis of a universal stage; all optional
//   carries = "specimen"                # "specimen": on top of the turning stage; or "stage"
//   azimuth_deg = 90.0                  # its direction at stage angle 0, from the camera's azimuth
//   inclination_deg = 0.0               # above the plane of the stage
//   across_mm = 0.0                     # where it passes the turning axis
//   height_mm = 0.0
//   sigma_deg = 1.0                     # of a ring's tilt
//   sigma_direction_deg = 2.0
//   sigma_position_mm = 1.0
//   [geometry]                          # where the axis is not calibrated; all optional
//   distance_mm = 215.0                 # projection centre to axis; default from the setup
//   offset_x_mm = 0.0                   # axis right of, origin below the optical axis
//   offset_y_mm = 0.0
//   sigma_distance_percent = 10.0
//   sigma_offset_percent = 2.0          # of the field of view
//   sigma_elevation_deg = 5.0
//   sigma_angle_deg = 0.1               # of each stage angle: encoder, backlash
//   sigma_reference_mm = 0.02           # of each rail position given
//   [record]                            # number, name, label and rights: specimen_record.h
//
// What it leaves out is taken from a collection.toml above its folder (collection.h).
#pragma once

#include <algorithm>
#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "core/angle.h"
#include "core/specimen_record.h"
#include "core/turntable.h"

namespace trunnion {

enum class BackdropKind { automatic, black, white, grey, colour };

struct Ring {
  std::string name;
  double elevation = 0;  // rad
  int stations = 0;
  double step = 0;   // rad, positive
  double start = 0;  // rad
  Turning turning = Turning::counter_clockwise;
  std::string pattern;  // empty where a capture table is used
  int first_station = 0;
  double tilt = 0;                                    // rad
  std::optional<double> reference_mm = std::nullopt;  // rail position of the reference slice
  int frames = 0;                                     // fused into each image; 0: not given

  // Stage angle of a station by its nominal step (rad, signed by the direction of turning).
  [[nodiscard]] double angle_of(int station) const {
    return static_cast<int>(turning) * (start + step * (station - first_station));
  }
};

struct NominalGeometry {
  std::optional<double> distance_mm;
  double offset_x_mm = 0;
  double offset_y_mm = 0;
  double sigma_distance_fraction = 0.10;
  double sigma_offset_fraction = 0.02;
  double sigma_elevation = 0;  // rad, set by the reader
  double sigma_angle = 0;      // rad, set by the reader
  double sigma_reference_mm = 0.02;
};

// The second axis as the user gives it; sigmas in rad and mm.
struct NominalTilt {
  TiltAxis axis;
  double sigma_tilt = radians(1.0);
  double sigma_direction = radians(2.0);
  double sigma_position_mm = 1.0;
};

struct Specimen {
  std::string title;
  std::filesystem::path setup_file;  // absolute
  BackdropKind backdrop = BackdropKind::automatic;
  std::optional<std::string> empty_image;    // relative to the workspace
  std::optional<std::string> capture_table;  // relative to the workspace
  std::vector<Ring> rings;
  NominalGeometry geometry;
  NominalTilt tilt;
  SpecimenRecord record;

  // Every ring gives the rail position of the reference slice of its series.
  [[nodiscard]] bool tells_reference() const {
    return std::all_of(rings.begin(), rings.end(),
                       [](const Ring& ring) { return ring.reference_mm.has_value(); });
  }
};

}  // namespace trunnion
