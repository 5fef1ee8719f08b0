// What the geometry of the scene says about each view.
#include <Eigen/Eigenvalues>
#include <algorithm>
#include <cmath>
#include <map>
#include <set>

#include "stages/report/report.h"

namespace trunnion::report {
namespace {

double largest_sigma(const Eigen::Matrix3d& covariance) {
  const Eigen::SelfAdjointEigenSolver<Eigen::Matrix3d> solver(covariance, Eigen::EigenvaluesOnly);
  return std::sqrt(std::max(0.0, solver.eigenvalues().maxCoeff()));
}

// camera_from_world(a) = camera_from_stage Rz(a), so R_prior^T R is Rz of the correction as far as
// the refinement moved the stage; the twist about Z of what it found is the nearest such angle.
double correction_about_axis(const Pose& prior, const Pose& refined) {
  const Eigen::Matrix3d turn = prior.R.transpose() * refined.R;
  return std::atan2(turn(1, 0) - turn(0, 1), turn(0, 0) + turn(1, 1));
}

ReportView& view_named(ReportData& data, const std::string& name) {
  const auto found = std::find_if(data.views.begin(), data.views.end(),
                                  [&](const ReportView& view) { return view.name == name; });
  if (found != data.views.end()) return *found;
  data.views.emplace_back().name = name;
  return data.views.back();
}

void add_view(ReportData& data, const View& view, bool refined) {
  ReportView& out = view_named(data, view.name);
  out.ring = view.ring;
  out.station = view.station;
  out.stage_angle = view.stage_angle;
  out.source_file = view.source_file;
  out.image_file = view.image_file;
  out.mask_file = view.mask_file;
  out.prior = view.prior;
  out.pose = view.pose;
  out.pose_state = view.state;
  out.sigma_rotation = largest_sigma(view.covariance.topLeftCorner<3, 3>());
  out.sigma_position_mm = largest_sigma(view.covariance.bottomRightCorner<3, 3>());
  if (refined) out.angle_correction = correction_about_axis(view.prior, view.pose);
}

// Every n-th of `count`, at most `limit`.
std::size_t stride(std::size_t count, std::size_t limit) {
  return limit == 0 ? count + 1 : std::max<std::size_t>(1, (count + limit - 1) / limit);
}

void add_residuals(ReportData& data, const Scene& scene, const ReportLimits& limits) {
  std::vector<std::vector<ResidualVector>> vectors(scene.views.size());
  std::vector<double> squares(scene.views.size(), 0.0);
  for (const TiePoint& point : scene.tie_points) {
    for (const Observation& seen : point.observations) {
      if (seen.view >= scene.views.size()) continue;
      const Eigen::Vector2d expected =
          project(scene.camera, scene.views[seen.view].pose * point.position_mm);
      const Eigen::Vector2d residual = seen.position_px - expected;
      if (!residual.allFinite()) continue;
      vectors[seen.view].push_back({expected, residual});
      squares[seen.view] += residual.squaredNorm();
    }
  }
  for (std::size_t i = 0; i < scene.views.size(); ++i) {
    ReportView& out = view_named(data, scene.views[i].name);
    const std::size_t count = vectors[i].size();
    out.inliers = static_cast<int>(count);
    out.residuals.clear();
    if (count == 0) continue;
    out.residual_px = std::sqrt(squares[i] / static_cast<double>(count));
    for (std::size_t k = 0; k < count; k += stride(count, limits.residuals_per_view)) {
      out.residuals.push_back(vectors[i][k]);
    }
  }
}

// Station number of `file` by a ring's pattern, where it fits.
std::optional<int> station_of(const std::string& pattern, const std::string& file) {
  static const std::string kField = "{station}";
  const std::size_t at = pattern.find(kField);
  if (at == std::string::npos || file.size() < pattern.size() - kField.size()) return {};
  const std::string tail = pattern.substr(at + kField.size());
  if (!file.starts_with(pattern.substr(0, at)) || !file.ends_with(tail)) return {};
  const std::string digits = file.substr(at, file.size() - at - tail.size());
  if (digits.empty() || digits.size() > 9 ||
      !std::all_of(digits.begin(), digits.end(), [](char c) { return c >= '0' && c <= '9'; })) {
    return {};
  }
  return std::stoi(digits);
}

// The file a finding names for a station without an image, else the pattern with the bare number.
std::string expected_file(const ReportData& data, const Ring& ring, int station) {
  if (ring.pattern.empty()) return {};
  for (const Finding& finding : data.findings) {
    if (station_of(ring.pattern, finding.file) == station) return finding.file;
  }
  std::string file = ring.pattern;
  const std::size_t at = file.find("{station}");
  if (at != std::string::npos) file.replace(at, 9, std::to_string(station));
  return file;
}

}  // namespace

void add_scene(ReportData& data, const Scene& scene, const ReportLimits& limits) {
  if (data.title.empty()) data.title = scene.title;
  data.setup_name = scene.setup_name;
  data.camera = scene.camera;
  data.source_camera = scene.source_camera;
  data.pixel_pitch_um = scene.pixel_pitch_um;
  data.lens_calibrated = scene.lens_calibrated;
  data.axis_calibrated = scene.axis_calibrated;
  data.refined = scene.refined;
  for (const View& view : scene.views) add_view(data, view, scene.refined);
  if (scene.refined) add_residuals(data, scene, limits);

  std::map<std::string, std::size_t> order;
  for (std::size_t i = 0; i < scene.views.size(); ++i) order.emplace(scene.views[i].name, i);
  const auto rank = [&order](const ReportView& view) {
    const auto found = order.find(view.name);
    return found == order.end() ? order.size() : found->second;
  };
  std::stable_sort(data.views.begin(), data.views.end(),
                   [&](const ReportView& a, const ReportView& b) { return rank(a) < rank(b); });

  data.tie_points_total = scene.tie_points.size();
  data.tie_points.clear();
  const std::size_t step = stride(scene.tie_points.size(), limits.tie_points);
  for (std::size_t i = 0; i < scene.tie_points.size(); i += step) {
    const TiePoint& point = scene.tie_points[i];
    data.tie_points.push_back({point.position_mm.cast<float>(), point.rgb});
  }
}

void add_rings(ReportData& data, const Specimen& specimen, const Review& review) {
  data.review = review;
  data.rings.clear();
  data.gaps.clear();
  for (const Ring& ring : specimen.rings) {
    data.rings.push_back({ring.name, ring.elevation, ring.stations});
    std::set<int> present;
    for (const ReportView& view : data.views) {
      if (view.ring == ring.name) present.insert(view.station);
    }
    for (int k = 0; k < ring.stations; ++k) {
      const int station = ring.first_station + k;
      if (present.contains(station) || review.excludes(ring.name, station)) continue;
      data.gaps.push_back(
          {ring.name, station, ring.angle_of(station), expected_file(data, ring, station)});
    }
  }
}

}  // namespace trunnion::report
