// Refine: the specimen itself corrects the rig. Features inside the masks are matched between
// neighbouring stations and rings inside the bands that the known geometry leaves, chained to tie
// points, and adjusted together with the rig: axis and elevation of each ring, the angle of each
// station, and, where the lens is not calibrated, the principal distance.
//
// The problem solved: minimise over rig parameters p and points x
//   sum rho(|project(p, x) - seen|^2 / sigma_px^2) + |p - p_prior|^2 in the metric of the priors.
// The rig fixes the gauge: what no image determines (scale, height of the origin along the axis,
// azimuth of station 0) stays at its prior, with its prior's sigma. Scale is that of the
// calibration. Where nothing is calibrated the same stage finds the axis from nominal geometry, or
// says that it did not. Covariances are those of the normal equations at the solution, scaled by
// the residuals found and widened by what the images have wrong in common (shared.h).
//
// First the stage angle of every image is found from the images alone (capture.h). Then every pose
// is in one of three states (PoseState): confirmed where the images by themselves determine its
// angle; turntable only where they don't, with the prior's sigma; contradicted where they disagree
// with the angle given, with a sigma that covers what remains possible. Where too few views of a
// set are confirmed, nothing is refined: few and poor matches don't overrule a calibration.
//
// Two parts, so that images stream: extract_features (features.h) while an image is in
// memory, refine() once all are through.
#pragma once

#include <cstddef>
#include <functional>
#include <limits>
#include <string>
#include <vector>

#include "config/calibration_record.h"
#include "config/settings.h"
#include "core/finding.h"
#include "core/scene.h"
#include "stages/refine/features.h"

namespace trunnion::refine {

// How many of the poses the images confirm.
enum class PoseVerdict { confirmed, partly_confirmed, not_confirmed, not_refined };
[[nodiscard]] const char* name_of(PoseVerdict verdict);

// What went wrong while shooting, or in the files; each is named in the findings too.
enum class AcquisitionFault {
  none,
  wrong_angle,      // one station
  bumped_specimen,  // the specimen was moved
  reversed_turning,
  wrong_step,
  several_rounds,   // a ring's images are those of more than one turn
  skipped_station,  // stations after it are one place on; or shot twice: one place back
  slipped_stage,
  exchanged,        // two images
  exchanged_rings,  // all images of two rings
  copied,           // one image stands for two stations
  elsewhere,        // an image shows the place of another station
  unmatched,        // an image shows nothing that its neighbours show
  mixed_specimens
};

struct StationReport {
  std::size_t view = 0;  // index into Scene::views
  int features = 0;
  int tie_points = 0;      // kept observations in this view
  double rms_px = 0;       // of them
  double angle_sigma = 0;  // rad, of the refined angle
  // rad, of the angle by the images alone, as if its own prior were not known
  double image_sigma = std::numeric_limits<double>::infinity();
  std::string reason;  // why the pose is not confirmed, "few tie points (12)"; empty where it is
};

struct PairReport {
  std::size_t view_a = 0;
  std::size_t view_b = 0;
  int matches = 0;    // inside the bands
  int inliers = 0;    // kept by the adjustment
  double rms_px = 0;  // of the inliers, in both views
};

// Where an image belongs, as the images show it. Images without a place of their own, copies and
// those of another specimen, are left out of a proposal.
struct ProposedCapture {
  std::size_t view = 0;
  std::string ring;
  int station = 0;
  double stage_angle = 0;  // rad, signed by the direction of turning
};

struct RefineResult {
  Scene scene;  // prior and refined poses, tie points; poses equal the priors where not refined
  std::vector<RingAxis> rings;  // refined axes with covariance
  PoseVerdict verdict = PoseVerdict::not_refined;
  std::string sentence;                             // the verdict in words
  AcquisitionFault fault = AcquisitionFault::none;  // the last one found, most specific
  std::size_t fault_view = 0;                       // the (first) view concerned
  std::vector<ProposedCapture> proposal;            // empty where no pose is contradicted
  std::vector<StationReport> stations;
  std::vector<PairReport> pairs;
  bool converged = false;
  int iterations = 0;
  double rms_px = 0;    // reprojection, over all kept observations
  double sigma_px = 0;  // of one coordinate of an observation
  int points = 0;
  int points_in_three_views = 0;
  double principal_distance_change = 0;  // relative; 0 where it was held
  double principal_distance_sigma = 0;   // relative
  Findings findings;
};

// The features of a view, by its index in Scene::views; asked for about three times each, a few
// views at once, so that they need not be in memory together.
using FeatureReader = std::function<ImageFeatures(std::size_t)>;

// `prior`: views with priors, camera of the written images. `rings`: the axes that orient used,
// named as View::ring.
RefineResult refine(const Scene& prior, const std::vector<RingAxis>& rings,
                    const FeatureReader& features, const RefineSettings& settings);

// The same for features that are in memory anyway.
inline RefineResult refine(const Scene& prior, const std::vector<RingAxis>& rings,
                           const std::vector<ImageFeatures>& features,
                           const RefineSettings& settings) {
  const FeatureReader read = [&features](std::size_t view) { return features.at(view); };
  return refine(prior, rings, read, settings);
}

}  // namespace trunnion::refine
