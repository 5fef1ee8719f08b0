// A setup: a camera body, lens, extension, magnification mark, aperture and method of fusion.
// One calibration is valid for exactly this combination. Written by the user as setups/NAME.toml.
//
//   title = "100 mm macro at 1:1"
//   working_distance_mm = 200.0      # optional; entrance pupil to plane of focus
//   [body]
//   text = "bench body 1"            # written to the metadata unchanged
//   width_px = 6000                  # of the fused images, upright
//   height_px = 4000
//   pixel_pitch_um = 4.0
//   [lens]
//   kind = "photographic"            # or "objective"
//   focal_length_mm = 100.0          # the lens's own, without extension
//   magnification = 1.0              # the mark it is set to
//   f_number = 8.0                   # the mark it is set to
//   [fusion]
//   moves = "rail"                   # what moves between the slices: "rail" or "lens"
//   rescaled = true                  # slices scaled to the reference before they are fused
//   reference = "middle"             # "first", "middle" or "last" slice; first = nearest
#pragma once

#include <filesystem>
#include <optional>
#include <string>

#include "core/camera.h"

namespace trunnion {

enum class LensKind { photographic, objective };
enum class FocusMotion { rail, lens };
enum class ReferenceSlice { first, middle, last };

struct Setup {
  std::string name;  // file name without extension
  std::string title;

  std::string body_text;
  int width_px = 0;
  int height_px = 0;
  double pixel_pitch_um = 0;

  LensKind kind = LensKind::photographic;
  std::string lens_text;
  std::string lens_serial;
  double focal_length_mm = 0;       // photographic: of the bare lens; objective: of the objective
  double magnification = 0;         // the mark, without extension and converter
  double extension_mm = 0;          // tubes or bellows added behind the lens
  double converter = 1.0;           // factor of a converter behind the lens
  double pupil_magnification = 1;   // exit over entrance pupil
  double f_number = 0;              // marked; 0 for objectives
  double numerical_aperture = 0;    // objectives
  double tube_focal_length_mm = 0;  // objectives

  FocusMotion moves = FocusMotion::rail;
  bool rescaled = true;
  ReferenceSlice reference = ReferenceSlice::middle;

  std::optional<double> working_distance_mm;  // entrance pupil to plane of focus

  // Not from the file: lateral magnification as the calibration record has it measured. It stands
  // in for mark, extension and converter, and the object distance follows it.
  std::optional<double> measured_magnification;

  // With m0 = mark + extension / f (thin lens) and the converter's factor T:
  // lateral magnification at the plane of focus m = m0 T.
  [[nodiscard]] double lateral_magnification() const;
  // Principal distance on the sensor c = f T (1 + m0 / p), mm.
  [[nodiscard]] double principal_distance_mm() const;
  // Projection centre (entrance pupil) to plane of focus: working_distance_mm, else
  // f (1 / m0 + 1 / p) = c / m.
  [[nodiscard]] double object_distance_mm() const;
  // Object-side size of one pixel at the plane of focus.
  [[nodiscard]] double object_pixel_um() const { return pixel_pitch_um / lateral_magnification(); }
  // Camera as the optics say it: principal distance as above, principal point in the centre, no
  // distortion; scaled orthographic where slices moved by rail were fused without rescaling.
  [[nodiscard]] Camera nominal_camera() const;
  // Fused without rescaling from a rail: every slice at the same magnification.
  [[nodiscard]] bool orthographic() const { return moves == FocusMotion::rail && !rescaled; }
};

// Throws one data error that names every mistake with its line and remedy.
Setup read_setup(const std::filesystem::path& file);
Setup parse_setup(std::string_view text, const std::string& name);

}  // namespace trunnion
