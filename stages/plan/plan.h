// Plan: from the size of a specimen, the finest detail wanted and one or several setups, the setup
// and aperture that resolve the detail with the fewest frames, and the capture that goes with them.
//
// For each setup and each aperture on its ring (core/optics.h):
//   permitted blur   b = sqrt(detail^2 - diffraction^2 - (2 pixels)^2), on the object
//   depth of field   t = lambda / NA^2 + b / NA
//   focus step       (1 - slice_overlap) t; slices = ceil(depth / step) + 1
//   stations a ring  360 / (useful arc (1 - overlap)), fewer by cos(elevation) higher up
// A specimen turning in front of the camera needs a field as wide as the circle it sweeps, and at
// each station a series as deep as it is in that direction.
//
// Where no setup does what is wanted, the advice can be followed as it stands: its numbers are
// rounded to the side on which they are accepted.
//
// No image is read. Deterministic.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "config/capture_plan.h"
#include "config/setup.h"
#include "config/specimen.h"

namespace trunnion::plan {

struct PlanWish {
  std::string title = "specimen";
  double height_mm = 0;                // along the rotation axis
  double width_mm = 0;                 // across the view at stage angle 0
  double depth_mm = 0;                 // along the view at stage angle 0
  std::optional<double> diameter_mm;   // of the circle it sweeps; instead of width and depth
  double detail_um = 0;                // smallest separation of two features to resolve
  Surface surface = Surface::unknown;  // for advice on light and masks
  bool black_backdrop = false;
};

enum class Orientation { as_needed, as_filed, landscape, portrait };

struct PlanSettings {
  // Marks tried on photographic lenses, whole and half stops: what macro lenses offer, up to where
  // diffraction eats the gain.
  std::vector<double> f_numbers{2.8, 3.4, 4, 4.8, 5.6, 6.7, 8, 9.5, 11, 13, 16};
  bool keep_aperture = false;  // only the aperture that each setup states
  // Of the frame. as_needed: as in the setup file unless only the other one has the whole specimen
  // in view.
  Orientation orientation = Orientation::as_needed;
  double frame_margin = 0.08;  // of the field, free on each side: masks need backdrop around
  // One start, end and number of slices for all stations of a ring, for rails that are set once;
  // else each series is as short as its station allows.
  bool same_range = false;
  double depth_margin = 0.05;     // of the depth, before and behind: the edge is never where meant
  double slice_overlap = 0.25;    // of the depth of field; 20 to 25 % is common practice
  double useful_arc_deg = 120;    // surface seen less obliquely than 60 deg
  double station_overlap = 0.90;  // of the useful arc between neighbours: every point in 10 views
  std::optional<int> stations;    // a ring, whatever the overlap says
  // Common practice, no source: level, raised and steep views leave few places unseen.
  std::vector<double> elevations_deg{0, 25, 50};
  double settle_s = 1.0;  // after each move of the rail
  double exposure_s = 0.02;
  double recycle_s = 0.0;   // of the flash, from one to the next; 0 without flash
  double transfer_s = 0.5;  // until the next frame can be taken
  double station_s = 4.0;   // the stage turns and comes to rest
  double ring_s = 120.0;    // camera or stage tilted by hand
  double raw_bits = 14;     // of a raw pixel, without compression
  double fused_bits = 16;   // a channel, three channels
};

// The flash recycles while the rail moves and settles: a frame takes the longer of both.
CaptureTimes times_of(const PlanSettings& settings);

// Throws a usage error for sizes, details and settings that make no sense (zero, negative, NaN) and
// where no setup is given.
CapturePlan plan_capture(const PlanWish& wish, const std::vector<Setup>& setups,
                         const PlanSettings& settings = {});

// One setup at one aperture (f_number 0: the setup's own); the rows of which a plan is chosen.
PlanOption weigh(const PlanWish& wish, const Setup& setup, double f_number,
                 const PlanSettings& settings = {});

// Stations of a ring so that neighbours overlap, rounded up to a whole number of degrees a step.
int stations_for_overlap(double useful_arc_deg, double overlap, double elevation);

// Extent of the specimen along the viewing direction at a stage angle and elevation (rad).
double depth_seen_mm(const PlanWish& wish, double stage_angle, double elevation);

// A plan as people read it on a terminal: the cautions first, then the numbers.

// `rows`: setups in the comparison table, best first; 0 shows all.
std::string plan_text(const CapturePlan& plan, std::size_t rows = 12);

// The chosen setup at every aperture that was tried: what detail, step, frames and time it would
// have, whether or not it does what is wanted.
std::vector<PlanOption> what_if(const CapturePlan& plan, const PlanWish& wish, const Setup& setup,
                                const PlanSettings& settings);
std::string what_if_text(const std::vector<PlanOption>& rows, const CapturePlan& plan);

// How much of the frame the specimen takes while it turns, and the crop that would hold it with the
// margins asked for.
struct FrameUse {
  double width_share = 0;  // of the field of view
  double height_share = 0;
  int crop_width_px = 0;
  int crop_height_px = 0;
  double saved = 0;  // share of the pixels that the crop leaves out
};
FrameUse frame_use(const CapturePlan& plan, const PlanWish& wish, const PlanSettings& settings);

// How near the lens comes to the turning specimen (stages/plan/clearance.h).
struct LensFront {
  double diameter_mm = 0;       // of all that stands in front: barrel, hood, lamp ring
  double free_distance_mm = 0;  // from its front to the plane of focus
};

// The least over the stations of each ring of the plan.
std::vector<double> clearances_mm(const CapturePlan& plan, const PlanWish& wish,
                                  const LensFront& front);

// The chart of a plan (SVG): depth of field and resolution over aperture for the chosen setup, with
// the chosen point and the detail wanted.

// `setup` is the chosen one. Photographic lenses run over f-numbers, objectives over numerical
// apertures (the chosen point is the objective's own).
std::string plan_chart_svg(const CapturePlan& plan, const PlanWish& wish, const Setup& setup,
                           const PlanSettings& settings);

// The files a plan becomes besides plan.json and the shot list: specimen.toml, ready to be filled
// with images, and the setup file of the chosen setup (config/toml_writer.h).

// `setup_path` as specimen.toml shall name it. Fused images are expected as
// fused/RING_STATION.EXTENSION.
std::string specimen_toml(const CapturePlan& plan, const std::string& setup_path,
                          BackdropKind backdrop, const std::string& extension = "tif");

// The setup in the aperture and orientation of the plan, named by planned_setup_name().
Setup setup_as_planned(Setup setup, const PlanOption& chosen);

}  // namespace trunnion::plan
