// Close-up optics: what a lens at a magnification and an aperture images sharply, how deep and how
// fine, on the object's side.
//
// Every imaging arrangement comes down to its lateral magnification m and its object-side
// numerical aperture NA; photographic lenses get theirs from the f-number marked on them.
//
//   working f-number        Nw = N T (1 + m0 / p)            bellows factor 1 + m/p: J. Conrad,
//                                                            "Depth of Field in Depth" (2006)
//   object-side aperture    NA = m / (2 Nw)                  paraxial, from the definition
//   geometric depth         t_g = n c / (m NA) = 2 Nw c / m^2
//   wave-optical depth      t_w = lambda n / NA^2            TOTAL depth: a quarter wave of defocus
//                                                            at each limit
//   total depth of field    t = t_w + t_g                    the usual sum for objectives; a
//                                                            microscopy primer, "Depth of field"
//   Airy disc on the sensor d = 2.44 lambda Nw               first dark ring, textbook
//   two points resolved     r = 0.61 lambda / NA             Rayleigh's criterion, textbook
//   pinhole to object       Z = f (1/m0 + 1/p)               entrance pupil; thin-lens relations
//   pinhole to sensor       c = f T (1 + m0 / p) = m Z
// with N the marked f-number, p the pupil magnification (exit over entrance pupil), f the focal
// length, T a converter's factor, m0 the magnification without converter, c the permitted blur on
// the sensor, n the index of refraction on the object's side, lambda the wavelength.
//
// Depths are TOTAL depths (near to far limit); some texts quote the half or the double of t_w.
// Blur widths of independent causes add as squares (widths of convolved spreads; P. K. Hansma,
// "View Camera Focusing in Practice", 1996, does so for defocus and diffraction).
#pragma once

namespace trunnion {

inline constexpr double kGreen_um = 0.55;  // where eyes and cameras see best

// Lateral magnification and object-side aperture: all that depth and resolution depend on.
struct ImagingPoint {
  double magnification = 1;
  double numerical_aperture = 0.05;  // object side
  double wavelength_um = kGreen_um;
  double index = 1;  // of what lies between lens and object: air

  [[nodiscard]] double working_f_number() const { return magnification / (2 * numerical_aperture); }
};

// Nw = N T (1 + m0 / p). `bare_magnification` is m0, without the converter.
double working_f_number(double marked_f_number, double bare_magnification,
                        double pupil_magnification = 1, double converter = 1);

ImagingPoint photographic_point(double marked_f_number, double bare_magnification,
                                double pupil_magnification = 1, double converter = 1,
                                double wavelength_um = kGreen_um);

// An objective's magnification is its mark only on the tube lens it was made for:
// m = mark * tube / reference tube. Its numerical aperture stays.
double objective_magnification(double mark, double reference_tube_mm, double tube_mm);

double airy_diameter_um(const ImagingPoint& point);                     // on the sensor
double geometric_depth_mm(const ImagingPoint& point, double blur_um);   // blur on the sensor
double wave_depth_mm(const ImagingPoint& point);                        // total
double depth_of_field_mm(const ImagingPoint& point, double blur_um);    // total, both terms
double image_depth_mm(const ImagingPoint& point, double blur_um);       // on the sensor's side
double defocus_blur_um(const ImagingPoint& point, double distance_mm);  // diameter on the object
double field_of_view_mm(double sensor_mm, double magnification);
double slices_for_depth(double depth_mm, double step_mm);  // ceil(depth / step) + 1

// Resolution on the object: the smallest separation of two features, um.
struct Resolution {
  double diffraction_um = 0;  // Rayleigh
  double sampling_um = 0;     // two pixels
  double defocus_um = 0;      // blur disc of what lies between two slices, beyond the wave depth
  [[nodiscard]] double focused_um() const;  // at the plane of focus
  [[nodiscard]] double total_um() const;    // at the worst depth
};

// `step_mm` is the distance of the slices; what lies half-way is blurred most. 0: focused only.
Resolution resolution(const ImagingPoint& point, double pixel_pitch_um, double step_mm = 0);

// Permitted defocus blur (um, object side) so that total_um() just reaches `detail_um`; negative
// where the setup does not resolve it even in focus.
double blur_budget_um(const ImagingPoint& point, double pixel_pitch_um, double detail_um);

// Pixels across the smallest separation that diffraction lets through; below 2 the pixels limit.
double pixels_per_resolved_element(const ImagingPoint& point, double pixel_pitch_um);

// Entrance pupil to plane of focus; grows without bound as p -> 0 (object-side telecentric).
double pupil_to_object_mm(double focal_length_mm, double bare_magnification,
                          double pupil_magnification = 1);
// Exit pupil to sensor without converter, f (m + p).
double pupil_to_sensor_mm(double focal_length_mm, double bare_magnification,
                          double pupil_magnification = 1);

// How far the view is from telecentric.
struct Telecentricity {
  double field_angle = 0;          // rad, full angle over the sensor's width
  double scale_change_per_mm = 0;  // relative change of magnification per mm of depth, 1 / Z
};
Telecentricity telecentricity(double sensor_width_mm, double magnification,
                              double pupil_to_object_mm);

}  // namespace trunnion
