#include "core/optics.h"

#include <algorithm>
#include <cmath>

namespace trunnion {
namespace {

constexpr double kUmPerMm = 1000.0;

}  // namespace

double working_f_number(double marked_f_number, double bare_magnification,
                        double pupil_magnification, double converter) {
  return marked_f_number * converter * (1.0 + bare_magnification / pupil_magnification);
}

ImagingPoint photographic_point(double marked_f_number, double bare_magnification,
                                double pupil_magnification, double converter,
                                double wavelength_um) {
  ImagingPoint point;
  point.magnification = bare_magnification * converter;
  point.numerical_aperture =
      point.magnification /
      (2.0 * working_f_number(marked_f_number, bare_magnification, pupil_magnification, converter));
  point.wavelength_um = wavelength_um;
  return point;
}

double objective_magnification(double mark, double reference_tube_mm, double tube_mm) {
  return mark * tube_mm / reference_tube_mm;
}

double airy_diameter_um(const ImagingPoint& point) {
  return 2.44 * point.wavelength_um * point.working_f_number();
}

double geometric_depth_mm(const ImagingPoint& point, double blur_um) {
  return point.index * blur_um / (point.magnification * point.numerical_aperture) / kUmPerMm;
}

double wave_depth_mm(const ImagingPoint& point) {
  return point.wavelength_um * point.index / (point.numerical_aperture * point.numerical_aperture) /
         kUmPerMm;
}

double depth_of_field_mm(const ImagingPoint& point, double blur_um) {
  return wave_depth_mm(point) + geometric_depth_mm(point, blur_um);
}

double image_depth_mm(const ImagingPoint& point, double blur_um) {
  return depth_of_field_mm(point, blur_um) * point.magnification * point.magnification /
         point.index;
}

double defocus_blur_um(const ImagingPoint& point, double distance_mm) {
  return 2.0 * point.numerical_aperture / point.index * std::abs(distance_mm) * kUmPerMm;
}

double field_of_view_mm(double sensor_mm, double magnification) {
  return sensor_mm / magnification;
}

double slices_for_depth(double depth_mm, double step_mm) {
  // The tolerance keeps a depth of exactly k steps from costing a slice by rounding.
  return std::ceil(depth_mm / step_mm - 1e-9) + 1.0;
}

double Resolution::focused_um() const {
  return std::hypot(diffraction_um, sampling_um);
}

double Resolution::total_um() const {
  return std::hypot(diffraction_um, sampling_um, defocus_um);
}

Resolution resolution(const ImagingPoint& point, double pixel_pitch_um, double step_mm) {
  Resolution result;
  result.diffraction_um = 0.61 * point.wavelength_um / point.numerical_aperture;
  result.sampling_um = 2.0 * pixel_pitch_um / point.magnification;
  const double beyond_wave_mm = std::max(0.0, step_mm - wave_depth_mm(point));
  result.defocus_um = defocus_blur_um(point, 0.5 * beyond_wave_mm);
  return result;
}

double blur_budget_um(const ImagingPoint& point, double pixel_pitch_um, double detail_um) {
  const double focused = resolution(point, pixel_pitch_um).focused_um();
  const double square = detail_um * detail_um - focused * focused;
  return square < 0 ? -std::sqrt(-square) : std::sqrt(square);
}

double pixels_per_resolved_element(const ImagingPoint& point, double pixel_pitch_um) {
  return resolution(point, pixel_pitch_um).diffraction_um * point.magnification / pixel_pitch_um;
}

double pupil_to_object_mm(double focal_length_mm, double bare_magnification,
                          double pupil_magnification) {
  return focal_length_mm * (1.0 / bare_magnification + 1.0 / pupil_magnification);
}

double pupil_to_sensor_mm(double focal_length_mm, double bare_magnification,
                          double pupil_magnification) {
  return focal_length_mm * (bare_magnification + pupil_magnification);
}

Telecentricity telecentricity(double sensor_width_mm, double magnification, double distance_mm) {
  Telecentricity result;
  result.field_angle = 2.0 * std::atan(0.5 * sensor_width_mm / magnification / distance_mm);
  result.scale_change_per_mm = 1.0 / distance_mm;
  return result;
}

}  // namespace trunnion
