// Refine: what image evidence is worth against the priors.
//
// Residuals do not show errors that neighbouring views share: light that stands still while the
// specimen turns pulls the pattern of its relief along, alike in all of them. Such errors bend the
// axis and lay a slow wave over the stage angles, and no number of points makes them smaller. So
// they are an error of the rig as the images see it, with covariance S:
//   axis direction, start of a ring, tilt   (shift / radius)^2
//   origin across the view                  (shift x pixel on the object)^2
//   angles of two stations at azimuths a, b (shift / radius)^2 exp(-((a - b) / 0.7)^2 / 2)
// where `shift` is the pull in pixels and `radius` that of the specimen in pixels. With L the
// information of the points on the rig and x its solution from images alone, the images then count
//   L' = (L^-1 + S)^-1 = L (I + S L)^-1
// and with priors P the rig is (L' + P^-1)^-1 L' x. A good calibration is left where it is, errors
// of single stations, which are not slow, are still removed, and poor priors gain what they did.
// The wave over the angles is a Gaussian process (Rasmussen and Williams, "Gaussian processes for
// machine learning", 2006, section 4.2); its length of 40 degrees is chosen on the tuning sets.
#pragma once

#include <Eigen/Core>
#include <vector>

#include "stages/refine/adjust.h"

namespace trunnion::refine {

struct SharedErrors {
  double shift_px = 0.1;
  double radius_px = 100;   // of the specimen
  double object_mm = 0.01;  // a pixel on the object
  // Nominal geometry is no measurement: then the axis is where the images have it, with a sigma
  // that holds what they have wrong, and only the stage angles are weighed.
  bool nominal_axis = false;
};

struct WeighedRig {
  RigValues values;
  Eigen::MatrixXd covariance;  // in the order of ParameterIndex
  // rad, of each station's angle by the images alone, as if its own prior were not known; infinite
  // where they say nothing.
  std::vector<double> image_sigma;
};

// `values`: at the solution of adjust(); `images`: AdjustCovariance::images there.
WeighedRig weigh_against_priors(const RigModel& model, const RigValues& values,
                                const Eigen::MatrixXd& images, const SharedErrors& errors,
                                const FreeParameters& free);

// Radius of the specimen (px) by its tie points: nine tenths lie within it.
double specimen_radius_px(const RigModel& model, const RigValues& values,
                          const std::vector<Track>& tracks);

}  // namespace trunnion::refine
