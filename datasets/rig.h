// The demo's camera and turntable as they truly are, beside what its setup file claims. A bench
// camera at a mark of 1:1 (the frame is 13.44 mm high, whatever its pixels); the marks are as
// wrong as real ones: principal distance, axis and elevations differ from the nominal ones.
//
// The fusion habit shapes the true camera:
//   rescaled      rail series, slices scaled to the reference: a pinhole at c = f (1 + m/p).
//   orthographic  rail series, slices left alone: every depth at the same magnification, so scaled
//                 orthographic; the lens distorts each slice on the sensor, hence by the same
//                 polynomial in object-side mm.
//   lens          refocusing: the image distance follows the slice's distance Z, here by
//                 c(Z) = c0 (1 + b (Z - Z0) / Z0) with b = -0.12. Then m(Z) = c(Z) / Z falls by
//                 (1 - b) per Z0: over the depth of a specimen (2 % of Z0) that is, to 0.02 px, a
//                 pinhole at Z0 / (1 - b) with principal distance c0 / (1 - b); this one is used.
#pragma once

#include <string>
#include <vector>

#include "config/calibration_record.h"
#include "config/setup.h"
#include "config/specimen.h"

namespace trunnion::demo {

enum class FusionHabit { rescaled, orthographic, lens };

// The demo as shipped: 1.7 megapixels, rendered in half a minute on two cores. Far fewer pixels
// than are shot, but enough that the outline is a small share of the specimen, as in real images:
// pixels that it covers in part are 8 % of its area, 17 % at 720 px.
inline constexpr int kWidth_px = 1600;
inline constexpr int kHeight_px = 1067;

struct RigOptions {
  int width_px = kWidth_px;
  int height_px = kHeight_px;
  int rings = 2;
  int stations = 18;
  FusionHabit habit = FusionHabit::rescaled;
  std::uint64_t seed = 1;
};

struct TrueRing {
  Ring nominal;                // as in specimen.toml
  double elevation = 0;        // rad
  Axis axis;                   // camera frame
  std::vector<double> angles;  // rad, signed, one a station: where the stage truly stopped
  [[nodiscard]] Pose camera_from_stage(bool telecentric) const {
    return trunnion::camera_from_stage(axis, telecentric);
  }
};

struct Rig {
  Setup setup;    // as in setups/demo.toml
  Camera camera;  // true, with distortion
  bool telecentric = false;
  double distance_mm = 0;      // true: projection centre (telecentric: camera frame) to axis
  double sigma_angle = 0;      // rad, of where the stage stops
  double object_pixel_mm = 0;  // at the axis
  std::vector<TrueRing> rings;

  [[nodiscard]] Pose pose(std::size_t ring, std::size_t station) const;
};

Rig make_rig(const RigOptions& options);

// The calibration a careful user would get, its values being the true ones.
CalibrationRecord true_record(const Rig& rig);

}  // namespace trunnion::demo
