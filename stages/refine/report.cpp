#include "stages/refine/report.h"

#include <fmt/format.h>

#include <Eigen/Cholesky>
#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <map>

#include "core/angle.h"
#include "stages/refine/priors.h"

namespace trunnion::refine {
namespace {

constexpr int kFewTiePoints = 20;  // a station; common practice, no source
constexpr int kFewLongPoints =
    12;  // of them in three views: two views agree with many wrong places
// What the images must know of an angle by themselves to confirm it.
constexpr double kImageSigma = 0.00436;  // rad, a quarter of a degree
constexpr double kImageSigmas = 3.0;     // of the prior
constexpr double kPriorLimit = 3.0;

Tilt refined_tilt(const Outcome& o, std::size_t ring, double given) {
  const ParameterIndex index(o.model);
  std::array<double, 4> line{};
  for (std::size_t k = 0; k < 4; ++k) line[k] = o.model.second.prior[k] + o.values.line[k];
  Tilt tilt;
  tilt.axis = {o.model.second.kind, line[0], line[1], line[2], line[3]};
  tilt.angle = given + o.values.tilt[ring];
  const std::array<int, 5> places{index.line(), index.line() + 1, index.line() + 2,
                                  index.line() + 3, index.tilt(ring)};
  for (std::size_t i = 0; i < 5; ++i) {
    for (std::size_t j = 0; j < 5; ++j) {
      tilt.covariance(static_cast<Eigen::Index>(i), static_cast<Eigen::Index>(j)) =
          o.covariance(places[i], places[j]);
    }
  }
  return tilt;
}

// A station's angle with a sigma of its own, independent of the rest.
Eigen::MatrixXd with_angle_sigma(Eigen::MatrixXd covariance, int angle, double sigma) {
  covariance.row(angle).setZero();
  covariance.col(angle).setZero();
  covariance(angle, angle) = sigma * sigma;
  return covariance;
}

// Why the images by themselves don't determine a view's place; empty where they do.
std::string why_not_confirmed(const StationReport& station, int long_points, double sigma_prior,
                              double rms_px) {
  const double limit = std::max(kImageSigmas * sigma_prior, kImageSigma);
  if (station.tie_points < kFewTiePoints) {
    return fmt::format("few tie points ({})", station.tie_points);
  }
  if (long_points < kFewLongPoints) {
    return fmt::format("few tie points in three views ({})", long_points);
  }
  if (!(station.image_sigma <= limit)) {
    return std::isfinite(station.image_sigma)
               ? fmt::format("its angle follows from the images to {:.2f} degrees only",
                             degrees(station.image_sigma))
               : std::string("its angle doesn't follow from the images");
  }
  if (station.rms_px > 3.0 * std::max(rms_px, 0.1)) {
    return fmt::format("residuals of {:.2f} px", station.rms_px);
  }
  return {};
}

// Needs the counts of tie points.
void judge_states(RefineResult& result, const Outcome& o) {
  std::vector<int> long_points(result.stations.size(), 0);
  for (const Track& track : o.tracks) {
    if (track.views.size() < 3) continue;
    for (const TrackView& seen : track.views) ++long_points[seen.view];
  }
  for (StationReport& station : result.stations) {
    View& view = result.scene.views[station.view];
    station.image_sigma = o.image_sigma[station.view];
    station.reason = why_not_confirmed(station, long_points[station.view], view.sigma_stage_angle,
                                       result.rms_px);
    view.state = o.ignorance[station.view] > 0 ? PoseState::contradicted
                 : station.reason.empty()      ? PoseState::confirmed
                                               : PoseState::turntable_only;
  }
}

// The pose of a view by its state.
void fill_pose(View& view, const Outcome& o, std::size_t v) {
  const ParameterIndex index(o.model);
  switch (view.state) {
    case PoseState::turntable_only: {
      // As weighed against the priors: a good one stays, a poor axis is that of the other views.
      view.pose = pose_of(o.model, o.values, v);
      view.covariance = view.prior_covariance;
      return;
    }
    case PoseState::contradicted:
    case PoseState::confirmed:
      break;
  }
  view.pose = pose_of(o.model, o.values, v);
  const double known = std::sqrt(o.covariance(index.angle(v), index.angle(v)));
  const Eigen::MatrixXd rig =
      view.state == PoseState::confirmed
          ? o.covariance
          : with_angle_sigma(o.covariance, index.angle(v), std::max(known, o.ignorance[v]));
  view.covariance = with_view_sigma(pose_covariance(o.model, o.values, rig, v), view.pose,
                                    view.sigma_reference_mm);
}

void fill_poses(RefineResult& result, const Outcome& o) {
  const ParameterIndex index(o.model);
  Scene& scene = result.scene;
  scene.refined = true;
  const Camera refined = camera_of(o.model, o.values);
  scene.camera.fx = refined.fx;
  scene.camera.fy = refined.fy;
  for (std::size_t v = 0; v < scene.views.size(); ++v) {
    View& view = scene.views[v];
    fill_pose(view, o, v);
    view.tilt += o.values.tilt[o.model.stations[v].ring];
    StationReport& station = result.stations[v];
    station.angle_sigma = std::sqrt(o.covariance(index.angle(v), index.angle(v)));
  }
  for (std::size_t r = 0; r < result.rings.size(); ++r) {
    RingAxis& ring = result.rings[r];
    ring.axis = axis_of(o.model, o.values, r);
    ring.azimuth += o.values.azimuth_offset[r];
    const std::size_t owner = o.model.rings[r].axis;
    ring.covariance = o.covariance.block<5, 5>(index.axis(owner), index.axis(owner));
    if (o.model.second.exists) ring.tilt = refined_tilt(o, r, ring.tilt.angle);
    ring.elevation = std::asin(std::clamp(-ring.axis.direction.z(), -1.0, 1.0));
  }
  result.principal_distance_change = std::expm1(o.values.log_distance);
  result.principal_distance_sigma =
      std::sqrt(o.covariance(index.log_distance(), index.log_distance()));
}

// In the written image, with whatever distortion that has.
Eigen::Vector2d written_position(const Outcome& o, const Camera& written,
                                 const Eigen::Vector2d& ideal_px) {
  Camera c = written;
  c.fx = o.model.camera.fx;  // as the positions were made with
  c.fy = o.model.camera.fy;
  if (!c.distorts()) return ideal_px;
  return project(c, {(ideal_px.x() - c.cx) / c.fx, (ideal_px.y() - c.cy) / c.fy, 1.0});
}

void fill_points(RefineResult& result, const Outcome& o) {
  const Camera camera = camera_of(o.model, o.values);
  std::vector<Projection34> P;
  for (std::size_t v = 0; v < o.model.stations.size(); ++v) {
    P.push_back(projection_matrix(camera, pose_of(o.model, o.values, v)));
  }
  std::vector<double> sums(P.size(), 0.0);
  std::map<std::pair<std::size_t, std::size_t>, PairReport> pairs;
  for (const PairMatches& pair : o.pairs) {
    pairs[{pair.view_a, pair.view_b}] = {pair.view_a, pair.view_b,
                                         static_cast<int>(pair.matches.size()), 0, 0.0};
  }
  for (std::size_t i = 0; i < o.tracks.size(); ++i) {
    const Track& track = o.tracks[i];
    TiePoint point;
    point.position_mm = track.position_mm;
    point.covariance = o.point_covariances[i];
    std::array<unsigned, 3> rgb{};
    for (const TrackView& seen : track.views) {
      const double r = residual_px(P[seen.view], track.position_mm, seen.at_px);
      const FeaturePlace& feature = o.places[seen.view][static_cast<std::size_t>(seen.feature)];
      point.observations.push_back(
          {seen.view, written_position(o, result.scene.camera, seen.at_px), r});
      sums[seen.view] += r * r;
      ++result.stations[seen.view].tie_points;
      for (std::size_t c = 0; c < 3; ++c) rgb[c] += (feature.rgb >> (16U - 8U * c)) & 255U;
      for (const TrackView& other : track.views) {
        const auto entry = pairs.find({seen.view, other.view});
        if (entry == pairs.end()) continue;
        const double s = residual_px(P[other.view], track.position_mm, other.at_px);
        ++entry->second.inliers;
        entry->second.rms_px += 0.5 * (r * r + s * s);
      }
    }
    for (std::size_t c = 0; c < 3; ++c) {
      point.rgb[c] = static_cast<std::uint8_t>(rgb[c] / track.views.size());
    }
    result.scene.tie_points.push_back(point);
    if (track.views.size() >= 3) ++result.points_in_three_views;
  }
  for (std::size_t v = 0; v < P.size(); ++v) {
    StationReport& station = result.stations[v];
    if (station.tie_points > 0) station.rms_px = std::sqrt(sums[v] / station.tie_points);
  }
  for (auto& [key, pair] : pairs) {
    if (pair.inliers > 0) pair.rms_px = std::sqrt(pair.rms_px / pair.inliers);
    result.pairs.push_back(pair);
  }
}

void check_tilt_priors(RefineResult& result, const Outcome& o) {
  for (std::size_t r = 0; r < o.model.rings.size(); ++r) {
    const double sigma = o.model.rings[r].sigma_tilt;
    if (std::abs(o.values.tilt[r]) <= kPriorLimit * sigma) continue;
    result.findings.push_back(
        {Severity::doubt, "refine", "",
         fmt::format("Ring \"{}\": the refined tilt is {:.2f} degrees, {:.2f} from the one given, "
                     "more than its sigma of {:.2f} allows.",
                     result.rings[r].ring, degrees(result.rings[r].tilt.angle),
                     degrees(o.values.tilt[r]), degrees(sigma)),
         "Check tilt_deg and the sign of the tilt, or calibrate the axis with the board tilted."});
  }
}

// Where the adjustment has left what the priors allow.
void check_priors(RefineResult& result, const Outcome& o) {
  check_tilt_priors(result, o);
  for (std::size_t r = 0; r < o.model.rings.size(); ++r) {
    if (o.model.rings[r].axis != r) continue;
    const Eigen::Map<const Eigen::Matrix<double, 5, 1>> step(o.values.axis[r].data());
    const double distance = axis_distance(o.model, o.values, r);
    if (distance <= kFarAxis) continue;
    result.findings.push_back(
        {o.calibrated ? Severity::doubt : Severity::fault, "refine", "",
         fmt::format("Ring \"{}\": the refined axis lies {:.1f} sigma from its prior (direction "
                     "{:.2f} degrees, origin {:.3f} mm), more than the prior allows ({:.1f}).",
                     result.rings[r].ring, distance, degrees(step.head<2>().norm()),
                     step.tail<3>().norm(), kFarAxis),
         o.calibrated
             ? "Check elevation, working distance and offsets, or calibrate the axis again; "
               "both prior and refined poses are kept."
             : "Check step_deg, elevation, working distance and offsets, or calibrate the "
               "axis; until then no pose counts as confirmed."});
  }
  if (o.model.free_distance &&
      std::abs(o.values.log_distance) > kPriorLimit * o.model.sigma_log_distance) {
    result.findings.push_back(
        {Severity::doubt, "refine", "",
         fmt::format(
             "The refined principal distance differs by {:.1f} % from the nominal one, more "
             "than its sigma of {:.1f} % allows.",
             100.0 * std::expm1(o.values.log_distance), 100.0 * o.model.sigma_log_distance),
         "Check focal length, magnification mark and pixel pitch, or calibrate the lens."});
  }
}

std::string list_of(const std::vector<std::string>& names) {
  constexpr std::size_t kNamed = 8;
  std::string list;
  for (std::size_t i = 0; i < std::min(names.size(), kNamed); ++i) {
    list += (i == 0 ? "" : ", ") + names[i];
  }
  return names.size() > kNamed ? fmt::format("{} and {} more", list, names.size() - kNamed) : list;
}

void judge(RefineResult& result, const Outcome& o) {
  std::vector<std::string> open;
  std::size_t confirmed = 0;
  std::size_t contradicted = 0;
  for (const StationReport& station : result.stations) {
    const View& view = result.scene.views[station.view];
    confirmed += view.state == PoseState::confirmed ? 1 : 0;
    contradicted += view.state == PoseState::contradicted ? 1 : 0;
    if (view.state != PoseState::turntable_only) continue;
    open.push_back(fmt::format("{} ({})", view.name, station.reason));
  }
  const std::size_t views = result.stations.size();
  result.verdict = confirmed == views      ? PoseVerdict::confirmed
                   : 2 * confirmed > views ? PoseVerdict::partly_confirmed
                                           : PoseVerdict::not_confirmed;
  std::string rest;
  if (contradicted > 0)
    rest += fmt::format("; they contradict the places given for {}", contradicted);
  if (!open.empty()) {
    rest += fmt::format("; {} {} from the turntable only", open.size(),
                        open.size() == 1 ? "comes" : "come");
  }
  result.sentence = fmt::format(
      "The images confirm {} of {} poses by {} tie points, {} of them in three views or more, "
      "which fit to {:.2f} px{}.",
      confirmed, views, result.points, result.points_in_three_views, result.rms_px, rest);
  if (!o.adjusted.converged) {
    result.findings.push_back({Severity::doubt, "refine", "",
                               "The adjustment of the poses did not converge.",
                               "Check the geometry in specimen.toml, or calibrate the axis."});
  }
  if (open.empty()) return;
  // A calibrated turntable is a good witness by itself.
  result.findings.push_back(
      {o.calibrated ? Severity::note : Severity::doubt, "refine", "",
       "The images neither confirm nor contradict these poses, which come from the turntable "
       "only: " +
           list_of(open) + ".",
       o.calibrated
           ? "Nothing to do where the stage can be trusted; else add stations between them."
           : "Calibrate the axis with a board, or add stations between them."});
}

}  // namespace

RefineResult unrefined(const Scene& prior, const std::vector<RingAxis>& rings,
                       const std::vector<ViewPlaces>& places) {
  RefineResult result;
  result.scene = prior;
  result.rings = rings;
  for (std::size_t v = 0; v < prior.views.size(); ++v) {
    StationReport station;
    station.view = v;
    station.features = static_cast<int>(places.at(v).size());
    station.angle_sigma = prior.views[v].sigma_stage_angle;
    result.stations.push_back(station);
  }
  return result;
}

void fill_result(RefineResult& result, const Outcome& outcome) {
  result.converged = outcome.adjusted.converged;
  result.iterations = outcome.adjusted.iterations;
  result.rms_px = outcome.adjusted.rms_px;
  result.sigma_px = outcome.adjusted.sigma_px;
  result.points = static_cast<int>(outcome.tracks.size());
  fill_points(result, outcome);
  judge_states(result, outcome);
  fill_poses(result, outcome);
  check_priors(result, outcome);
  judge(result, outcome);
}

}  // namespace trunnion::refine
