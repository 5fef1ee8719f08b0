// The plan of a capture, as computed by `trunnion plan` and written to the workspace as plan.json.
// `check` and `prepare` compare the captured set with it.
#pragma once

#include <cmath>
#include <filesystem>
#include <string>
#include <string_view>
#include <vector>

#include "core/finding.h"
#include "core/turntable.h"

namespace trunnion {

enum class Surface { unknown, matt, glossy, hairy, dark };

// One setup at one aperture, weighed against what was asked for.
struct PlanOption {
  std::size_t setup_index = 0;  // among those given; not in the file
  std::string setup;            // name
  std::string title;
  bool objective = false;
  double magnification = 0;
  double f_number = 0;  // marked; 0 for objectives
  double working_f_number = 0;
  double numerical_aperture = 0;  // object side
  double field_width_mm = 0;      // as the specimen sees it: after turning the camera
  double field_height_mm = 0;
  bool portrait = false;         // the frame stands upright
  bool turned = false;           // against the setup file: its width and height change places
  double pixel_um = 0;           // on the object
  double depth_of_field_mm = 0;  // total, wave-optical and geometric, for the planned blur
  double blur_um = 0;            // permitted defocus blur on the object beyond the wave depth
  double step_mm = 0;
  double diffraction_um = 0;
  double resolution_um = 0;  // at the worst depth between two slices
  double pixels_per_element = 0;
  double field_angle = 0;  // rad; 0 for objectives, taken as telecentric
  bool fits = false;       // the whole turning specimen is in view
  bool resolves = false;   // the finest detail is resolved
  std::string reason;      // why not, where it does not serve
  double room = 0;         // seen of what the turning specimen needs, margins kept; 1: just fits
  int panels = 1;          // views side by side that would cover the specimen
  double frames = 0;       // of the whole set
  double seconds = 0;
  double raw_gb = 0;
  double fused_gb = 0;

  // Detail at the plane of focus: diffraction and two pixels.
  [[nodiscard]] double focused_um() const { return std::hypot(diffraction_um, 2.0 * pixel_um); }
};

struct PlannedStation {
  int station = 0;
  double stage_angle = 0;  // rad, signed by the direction of turning
  double depth_mm = 0;     // of the focus series, margins included
  int slices = 0;
  double first_mm = 0;  // plane of focus before the axis, positive towards the camera
};

struct PlannedRing {
  std::string name;
  double elevation = 0;  // rad
  double step = 0;       // rad
  Turning turning = Turning::counter_clockwise;
  std::vector<PlannedStation> stations;
};

// What a capture's time is made of, s.
struct CaptureTimes {
  double settle_s = 0;    // after each move of the rail
  double exposure_s = 0;  // of a frame
  double ready_s = 0;     // from the end of the exposure until the rail may move
  double station_s = 0;   // the stage turns and comes to rest
  double ring_s = 0;      // camera or stage tilted by hand

  [[nodiscard]] double frame_s() const { return settle_s + exposure_s + ready_s; }
};

struct CapturePlan {
  std::string title;
  double height_mm = 0;
  double width_mm = 0;
  double depth_mm = 0;
  double detail_um = 0;
  Surface surface = Surface::unknown;
  bool possible = false;         // false: `chosen` is only the nearest to it
  double planned_detail_um = 0;  // what `chosen` is planned for; coarser where not possible
  PlanOption chosen;
  std::vector<PlanOption> options;  // every setup at its best aperture, best first
  std::vector<PlannedRing> rings;
  int station_count = 0;
  double frames = 0;
  Findings advice;  // rules of the trade, risks and cautions
};

// plan.json and back. Reading throws data errors that name the file and the field; the compared
// setups (`options`) are written for people and programs but not read back.
std::string plan_to_json(const CapturePlan& plan);
CapturePlan parse_plan(std::string_view text, const std::string& name);
CapturePlan read_plan(const std::filesystem::path& file);

[[nodiscard]] const char* name_of(Surface surface);

// A setup is valid for one aperture and one orientation: the name of the setup file that a plan
// writes where it takes others than the file it was planned with.
std::string planned_setup_name(const PlanOption& chosen);

}  // namespace trunnion
