#include "tests/support/posed_demo.h"

#include <algorithm>
#include <cmath>
#include <random>

#include "core/angle.h"

namespace trunnion::test {
namespace {

// The same picture saved once more: nothing moves by more than a fraction of a pixel.
refine::ImageFeatures saved_again(refine::ImageFeatures image) {
  std::mt19937 random(11);
  std::normal_distribution<float> normal;
  for (refine::Feature& point : image.points) {
    point.x_px += 0.05F * normal(random);
    point.y_px += 0.05F * normal(random);
    for (std::uint8_t& d : point.descriptor) {
      d = static_cast<std::uint8_t>(
          std::clamp(static_cast<float>(d) + 2 * normal(random), 0.0F, 255.0F));
    }
  }
  return image;
}

void turn_all(PosedDemo& set, double factor) {
  for (orient::OrientStation& station : set.stations) {
    const Ring& ring = set.specimen.rings[station.ring_index];
    const double start = ring.angle_of(ring.first_station);
    station.stage_angle = start + factor * (station.stage_angle - start);
  }
}

}  // namespace

PosedDemo posed_demo(const demo::DemoOptions& options) {
  const demo::DemoSet set(options);
  PosedDemo result;
  result.options = options;
  const demo::Rig& rig = set.rig();
  result.setup = rig.setup;
  result.record = demo::true_record(rig);
  result.camera = rig.camera;
  for (const demo::TrueRing& ring : rig.rings) result.specimen.rings.push_back(ring.nominal);
  result.specimen.geometry.sigma_elevation = radians(2.0);
  result.specimen.geometry.sigma_angle = radians(0.1);
  for (const demo::DemoView& view : set.views()) {
    const Ring& ring = result.specimen.rings[view.ring];
    const int station = static_cast<int>(view.station);
    result.stations.push_back(
        {view.name, ring.name, view.ring, station, ring.angle_of(station), ring.tilt});
    const demo::RenderedView rendered = set.render(view);
    result.features.push_back(
        refine::extract_features(set.fused(view, rendered), rendered.coverage, RefineSettings{}));
    result.truth.push_back(rig.pose(view.ring, view.station));
  }
  result.points = demo::true_points(set, 400);
  return result;
}

Posed oriented(const PosedDemo& set, bool calibrated) {
  const orient::OrientResult found =
      orient::orient(set.stations, set.specimen, set.setup, calibrated ? &set.record : nullptr);
  Posed posed;
  posed.rings = found.rings;
  posed.scene.views = found.views;
  for (View& view : posed.scene.views) view.source_file = "fused/" + view.name + ".tif";
  posed.scene.camera = calibrated ? set.camera : set.setup.nominal_camera();
  posed.scene.lens_calibrated = calibrated;
  posed.scene.axis_calibrated = found.axis_calibrated;
  return posed;
}

refine::RefineResult refined(const PosedDemo& set, bool calibrated) {
  const Posed posed = oriented(set, calibrated);
  return refine::refine(posed.scene, posed.rings, set.features, RefineSettings{});
}

double point_error_px(const PosedDemo& set, const std::function<const Pose&(std::size_t)>& pose_of,
                      const std::function<bool(std::size_t)>& counts) {
  double sum = 0;
  int seen = 0;
  for (const demo::TruePoint& point : set.points) {
    for (const auto& observation : point.observations) {
      const std::size_t view = observation.view;
      if (view >= set.stations.size() || !counts(view)) continue;
      const Eigen::Vector2d at = project(set.camera, pose_of(view) * point.position_mm);
      const Eigen::Vector2d truth = project(set.camera, set.truth[view] * point.position_mm);
      sum += (at - truth).squaredNorm();
      ++seen;
    }
  }
  return seen > 0 ? std::sqrt(sum / seen) : 0.0;
}

const char* name_of(Confusion kind) {
  switch (kind) {
    case Confusion::none:
      return "none";
    case Confusion::half_step:
      return "half step";
    case Confusion::double_step:
      return "double step";
    case Confusion::reversed:
      return "reversed";
    case Confusion::skipped:
      return "skipped";
    case Confusion::exchanged:
      return "exchanged";
    case Confusion::copied_later:
      return "copied later";
    case Confusion::copied_earlier:
      return "copied earlier";
    case Confusion::foreign:
      return "foreign";
    case Confusion::wrong_deg:
      return "wrong by 3 degrees";
    case Confusion::slipped:
      return "slipped by 4 degrees";
  }
  return "";
}

PosedDemo confused(const PosedDemo& set, Confusion kind, std::size_t at, const PosedDemo* other) {
  PosedDemo wrong = set;
  const auto stations = static_cast<std::size_t>(set.options.stations);
  const auto place = [&](std::size_t to, std::size_t from) {
    wrong.features[to] = set.features[from];
    wrong.truth[to] = set.truth[from];
  };
  switch (kind) {
    case Confusion::none:
      break;
    case Confusion::half_step:
      turn_all(wrong, 0.5);
      break;
    case Confusion::double_step:
      turn_all(wrong, 2.0);
      break;
    case Confusion::reversed:
      turn_all(wrong, -1.0);
      break;
    case Confusion::skipped:
      for (std::size_t i = at; i + 1 < stations; ++i) place(i, i + 1);
      wrong.stations.erase(wrong.stations.begin() + static_cast<std::ptrdiff_t>(stations) - 1);
      wrong.features.erase(wrong.features.begin() + static_cast<std::ptrdiff_t>(stations) - 1);
      wrong.truth.erase(wrong.truth.begin() + static_cast<std::ptrdiff_t>(stations) - 1);
      break;
    case Confusion::exchanged:
      place(at, at + 1);
      place(at + 1, at);
      break;
    case Confusion::copied_later:
      place(at + 1, at);
      wrong.features[at + 1] = saved_again(set.features[at]);
      break;
    case Confusion::copied_earlier:
      place(at, at + 1);
      wrong.features[at] = saved_again(set.features[at + 1]);
      break;
    case Confusion::foreign:
      wrong.features[at] = other->features[at];
      break;
    case Confusion::wrong_deg:
      wrong.stations[at].stage_angle += radians(3.0);
      break;
    case Confusion::slipped:
      for (std::size_t i = at; i < stations; ++i) wrong.stations[i].stage_angle -= radians(4.0);
      break;
  }
  return wrong;
}

}  // namespace trunnion::test
