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

// The image of `from` stands for `to`.
void take_place(PosedDemo& wrong, const PosedDemo& set, std::size_t to, std::size_t from) {
  wrong.features[to] = set.features[from];
  wrong.truth[to] = set.truth[from];
}

void exchange(PosedDemo& wrong, const PosedDemo& set, std::size_t a, std::size_t b) {
  take_place(wrong, set, a, b);
  take_place(wrong, set, b, a);
}

void turn_all(PosedDemo& set, double factor) {
  for (orient::OrientStation& station : set.stations) {
    const Ring& ring = set.specimen.rings[station.ring_index];
    const double start = ring.angle_of(ring.first_station);
    station.stage_angle = start + factor * (station.stage_angle - start);
  }
}

void shoot_twice(PosedDemo& set) {
  const auto stations = static_cast<std::ptrdiff_t>(set.options.stations);
  Ring& ring = set.specimen.rings[0];
  ring.stations *= 2;
  ring.step *= 0.5;
  std::vector<orient::OrientStation> second(set.stations.begin(), set.stations.begin() + stations);
  std::vector<refine::ImageFeatures> features;
  for (std::ptrdiff_t k = 0; k < stations; ++k) {
    second[static_cast<std::size_t>(k)].station += static_cast<int>(stations);
    second[static_cast<std::size_t>(k)].name += "_again";
    features.push_back(saved_again(set.features[static_cast<std::size_t>(k)]));
  }
  const std::vector<Pose> truth(set.truth.begin(), set.truth.begin() + stations);
  set.stations.insert(set.stations.begin() + stations, second.begin(), second.end());
  set.features.insert(set.features.begin() + stations, features.begin(), features.end());
  set.truth.insert(set.truth.begin() + stations, truth.begin(), truth.end());
  for (orient::OrientStation& station : set.stations) {
    if (station.ring_index == 0) station.stage_angle = ring.angle_of(station.station);
  }
}

refine::ImageFeatures features_of(const demo::DemoSet& set, const demo::DemoView& view,
                                  const demo::RenderedView& rendered) {
  return refine::extract_features(set.fused(view, rendered), rendered.coverage, RefineSettings{});
}

void bump(PosedDemo& set, std::size_t from) {
  const demo::DemoSet shot(set.options);
  const demo::Rig& rig = shot.rig();
  const double radius_mm = 0.05 * rig.object_pixel_mm * set.options.width_px;
  const Pose moved{
      Eigen::AngleAxisd(radians(3.0), Eigen::Vector3d(2, -1, 2).normalized()).toRotationMatrix(),
      radius_mm * Eigen::Vector3d(0.6, -0.5, 0.3)};
  for (std::size_t v = from; v < shot.views().size(); ++v) {
    const demo::DemoView& view = shot.views()[v];
    set.truth[v] = set.truth[v] * moved;
    set.features[v] =
        features_of(shot, view,
                    demo::render_specimen(shot.model(), rig.camera, set.truth[v],
                                          rig.rings[view.ring].camera_from_stage(rig.telecentric),
                                          shot.backdrop()));
  }
}

constexpr std::size_t kMixed = 5;  // images of another specimen, a ring

}  // namespace

std::size_t bumped_view(const PosedDemo& set, std::size_t at) {
  return at + static_cast<std::size_t>(set.options.stations) / 2;
}

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
    result.features.push_back(features_of(set, view, set.render(view)));
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
    case Confusion::exchanged_far:
      return "exchanged far";
    case Confusion::exchanged_between:
      return "exchanged between rings";
    case Confusion::rings_exchanged:
      return "rings exchanged";
    case Confusion::twice_round:
      return "twice round";
    case Confusion::copied_later:
      return "copied later";
    case Confusion::copied_earlier:
      return "copied earlier";
    case Confusion::foreign:
      return "foreign";
    case Confusion::mixed:
      return "two specimens mixed";
    case Confusion::bumped:
      return "bumped";
    case Confusion::wrong_deg:
      return "wrong by 3 degrees";
    case Confusion::slipped:
      return "slipped by 4 degrees";
  }
  return "";
}

namespace {

// Of all images from a place on, or of whole rings.
void confuse_many(PosedDemo& wrong, const PosedDemo& set, Confusion kind, std::size_t at) {
  const auto stations = static_cast<std::size_t>(set.options.stations);
  switch (kind) {
    case Confusion::half_step:
      return turn_all(wrong, 0.5);
    case Confusion::double_step:
      return turn_all(wrong, 2.0);
    case Confusion::reversed:
      return turn_all(wrong, -1.0);
    case Confusion::skipped: {
      for (std::size_t i = at; i + 1 < stations; ++i) take_place(wrong, set, i, i + 1);
      const auto last = static_cast<std::ptrdiff_t>(stations) - 1;
      wrong.stations.erase(wrong.stations.begin() + last);
      wrong.features.erase(wrong.features.begin() + last);
      wrong.truth.erase(wrong.truth.begin() + last);
      return;
    }
    case Confusion::rings_exchanged:
      for (std::size_t i = 0; i < stations; ++i) exchange(wrong, set, i, stations + i);
      return;
    case Confusion::twice_round:
      return shoot_twice(wrong);
    case Confusion::bumped:
      return bump(wrong, bumped_view(set, at));
    case Confusion::slipped:
      for (std::size_t i = at; i < stations; ++i) wrong.stations[i].stage_angle -= radians(4.0);
      return;
    default:
      return;
  }
}

}  // namespace

PosedDemo confused(const PosedDemo& set, Confusion kind, std::size_t at, const PosedDemo* other) {
  PosedDemo wrong = set;
  const auto stations = static_cast<std::size_t>(set.options.stations);
  const std::size_t far = (at + 7) % stations;
  switch (kind) {
    case Confusion::exchanged:
      exchange(wrong, set, at, at + 1);
      break;
    case Confusion::exchanged_far:
      exchange(wrong, set, at, far);
      break;
    case Confusion::exchanged_between:
      exchange(wrong, set, at, stations + far);
      break;
    case Confusion::copied_later:
      take_place(wrong, set, at + 1, at);
      wrong.features[at + 1] = saved_again(set.features[at]);
      break;
    case Confusion::copied_earlier:
      take_place(wrong, set, at, at + 1);
      wrong.features[at] = saved_again(set.features[at + 1]);
      break;
    case Confusion::foreign:
      wrong.features[at] = other->features[at];
      break;
    case Confusion::mixed:
      for (std::size_t k = at; k < at + kMixed; ++k) {
        for (const std::size_t v : {k % stations, stations + k % stations}) {
          wrong.features[v] = other->features[v];
        }
      }
      break;
    case Confusion::wrong_deg:
      wrong.stations[at].stage_angle += radians(3.0);
      break;
    default:
      confuse_many(wrong, set, kind, at);
  }
  return wrong;
}

}  // namespace trunnion::test
