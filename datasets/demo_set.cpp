#include "datasets/demo_set.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <opencv2/imgproc.hpp>

#include "core/angle.h"
#include "datasets/random.h"

namespace trunnion::demo {
namespace {

constexpr double kSlip_deg = 2.5;
constexpr double kBlurBandShare = 0.10;     // of the specimen's depth
const double kDim = std::exp2(-1.0 / 3.0);  // a third of a stop

RigOptions rig_options(const DemoOptions& options) {
  return {options.width_px, options.height_px, options.rings,
          options.stations, options.habit,     options.seed};
}

Rig faulty_rig(const DemoOptions& options) {
  check_options(options);
  Rig rig = make_rig(rig_options(options));
  const Faults& faults = options.faults;
  if (faults.slip) {
    std::vector<double>& angles = rig.rings.front().angles;
    for (auto i = static_cast<std::size_t>(*faults.slip); i < angles.size(); ++i) {
      angles[i] += radians(kSlip_deg);
    }
  }
  if (faults.reversed) {
    for (TrueRing& ring : rig.rings) {
      for (double& angle : ring.angles) angle = -angle;
    }
  }
  return rig;
}

// Slices are missing over a tenth of the depth: what lies there is blurred, most in the middle.
cv::Mat with_blur_band(const RenderedView& view, double centre, int height_px) {
  double nearest = 0;
  double farthest = 0;
  cv::minMaxLoc(view.depth_mm, &nearest, &farthest, nullptr, nullptr, view.coverage > 0);
  const double middle = nearest + centre * (farthest - nearest);
  const double half = 0.5 * kBlurBandShare * (farthest - nearest);
  // Circle of confusion in the middle of the band: about 4.5 px at 480 rows.
  const double worst_px = 4.5 * height_px / 480.0;
  constexpr int kLevels = 6;
  std::vector<cv::Mat> blurred{view.colour};
  for (int i = 1; i <= kLevels; ++i) {
    cv::Mat level;
    cv::GaussianBlur(view.colour, level, {}, worst_px * i / kLevels);
    blurred.push_back(level);
  }
  // How blurred each pixel is, in levels; the blur spreads a little past the outline.
  cv::Mat amount(view.depth_mm.size(), CV_32F, cv::Scalar(0.0));
  for (int y = 0; y < amount.rows; ++y) {
    for (int x = 0; x < amount.cols; ++x) {
      const auto depth = static_cast<double>(view.depth_mm.at<float>(y, x));
      if (depth <= 0.0) continue;
      amount.at<float>(y, x) =
          static_cast<float>(kLevels * std::max(0.0, 1.0 - std::abs(depth - middle) / half));
    }
  }
  const int reach = 2 * static_cast<int>(std::ceil(worst_px)) + 1;
  cv::Mat spread;
  cv::dilate(amount, spread, cv::getStructuringElement(cv::MORPH_ELLIPSE, {reach, reach}));
  cv::Mat result = view.colour.clone();
  for (int y = 0; y < result.rows; ++y) {
    for (int x = 0; x < result.cols; ++x) {
      const bool inside = view.depth_mm.at<float>(y, x) > 0.0F;
      const float s = inside ? amount.at<float>(y, x) : spread.at<float>(y, x);
      if (s <= 0.0F) continue;
      const int i = std::min(static_cast<int>(s), kLevels - 1);
      const float w = s - static_cast<float>(i);
      const auto& low = blurred[static_cast<std::size_t>(i)].at<cv::Vec3f>(y, x);
      const auto& high = blurred[static_cast<std::size_t>(i) + 1].at<cv::Vec3f>(y, x);
      result.at<cv::Vec3f>(y, x) = low * (1.0F - w) + high * w;
    }
  }
  return result;
}

// A brown card, askew, from the frame's edge to past the middle of the specimen: whatever the
// backdrop, it stands out like a specimen.
cv::Mat with_card(const cv::Mat& colour) {
  constexpr int kSubpixelBits = 4;
  std::vector<cv::Point> corners;
  for (const auto& [x, y] : {std::pair{-0.1, 0.34}, {0.53, 0.28}, {0.58, 0.71}, {-0.1, 0.80}}) {
    corners.emplace_back(cvRound(x * colour.cols * (1 << kSubpixelBits)),
                         cvRound(y * colour.rows * (1 << kSubpixelBits)));
  }
  cv::Mat share(colour.size(), CV_8U, cv::Scalar(0));
  cv::fillConvexPoly(share, corners, cv::Scalar(255), cv::LINE_AA, kSubpixelBits);
  const cv::Vec3f card(0.14F, 0.27F, 0.42F);
  cv::Mat result = colour.clone();
  for (int y = 0; y < result.rows; ++y) {
    for (int x = 0; x < result.cols; ++x) {
      const float w = static_cast<float>(share.at<std::uint8_t>(y, x)) / 255.0F;
      auto& pixel = result.at<cv::Vec3f>(y, x);
      pixel = pixel * (1.0F - w) + card * w;
    }
  }
  return result;
}

}  // namespace

DemoSet::DemoSet(const DemoOptions& options)
    : options_(options),
      rig_(faulty_rig(options)),
      model_(
          {.body = options.body, .seed = options.seed, .object_pixel_mm = rig_.object_pixel_mm}) {
  sensor_.seed = options.seed;
  sensor_.bits = options.bits;
  sensor_.trail_fraction = options.faults.trails;
  if (!options.faults.no_dust) scatter_dust(sensor_, rig_.camera);
  for (std::size_t ring = 0; ring < rig_.rings.size(); ++ring) {
    for (std::size_t station = 0; station < rig_.rings[ring].angles.size(); ++station) {
      if (ring == 0 && options.faults.missing &&
          static_cast<std::size_t>(*options.faults.missing) == station) {
        continue;
      }
      views_.push_back(
          {fmt::format("{}_{:03}", rig_.rings[ring].nominal.name, station), ring, station});
    }
  }
}

Backdrop DemoSet::backdrop() const {
  return {options_.backdrop, options_.faults.stage_edge, options_.seed};
}

RenderedView DemoSet::render(const DemoView& view) const {
  return render_specimen(model_, rig_.camera, rig_.pose(view.ring, view.station),
                         rig_.rings[view.ring].camera_from_stage(rig_.telecentric), backdrop());
}

cv::Mat DemoSet::fused(const DemoView& view, const RenderedView& rendered, bool clean) const {
  const Faults& faults = options_.faults;
  const auto here = [&view](const std::optional<int>& station) {
    return station && view.ring == 0 && static_cast<std::size_t>(*station) == view.station;
  };
  Exposure exposure;
  exposure.clean = clean;
  const double along = static_cast<double>(view.station) / std::max(1, options_.stations - 1);
  exposure.gain = faults.exposure * (1.0 + faults.drift * along) * (here(faults.dim) ? kDim : 1.0);
  exposure.white_balance = {1.0 + 0.2 * faults.drift * along, 1.0,
                            1.0 - 0.1 * faults.drift * along};
  const bool banded = faults.blurred ? here(faults.blurred) : faults.blur_band.has_value();
  cv::Mat colour =
      banded ? with_blur_band(rendered, faults.blur_band.value_or(0.5), options_.height_px)
             : rendered.colour;
  if (here(faults.covered)) colour = with_card(colour);
  return expose(colour, sensor_, rig_.camera, view.ring * 100'000 + view.station, exposure);
}

std::vector<TruePoint> true_points(const DemoSet& set, int wanted) {
  std::vector<TruePoint> points;
  const Rig& rig = set.rig();
  const SpecimenModel& model = set.model();
  const std::vector<DemoView>& views = set.views();
  Draws draws(set.options().seed, 51);
  const auto ray_through = [&rig](const Pose& pose, const Eigen::Vector2d& pixel) {
    const Ray ray = camera_ray(rig.camera, normalise(rig.camera, pixel));
    const Pose world_from_camera = pose.inverse();
    return Ray{world_from_camera * ray.origin, world_from_camera.R * ray.direction};
  };
  // Of every view in turn: the first surface along a random ray, seen again from all others.
  for (int tries = 0; tries < 200 * wanted && static_cast<int>(points.size()) < wanted; ++tries) {
    const DemoView& from = views[static_cast<std::size_t>(tries) % views.size()];
    const Eigen::Vector2d aim(draws.uniform(2.0, rig.camera.width_px - 3.0),
                              draws.uniform(2.0, rig.camera.height_px - 3.0));
    const Ray ray = ray_through(rig.pose(from.ring, from.station), aim);
    const Hit hit = model.tree().first_hit(ray, 0.0);
    if (!hit.any()) continue;
    const Solid& solid = model.solids()[static_cast<std::size_t>(hit.solid)];
    if (solid.part == Part::bristle || solid.part == Part::pin) continue;
    TruePoint point;
    point.position_mm = ray.origin + hit.t * ray.direction;
    const Eigen::Vector3d normal = normal_at(solid, point.position_mm, hit.cavity);
    for (std::size_t i = 0; i < views.size(); ++i) {
      const Pose pose = rig.pose(views[i].ring, views[i].station);
      const Eigen::Vector2d px = project(rig.camera, pose * point.position_mm);
      if (!(px.x() >= 0.0 && px.y() >= 0.0 && px.x() <= rig.camera.width_px - 1.0 &&
            px.y() <= rig.camera.height_px - 1.0)) {
        continue;
      }
      const Ray back = ray_through(pose, px);
      if (normal.dot(back.direction) > -0.2) continue;  // too slanted to be found in an image
      const double distance = (point.position_mm - back.origin).dot(back.direction);
      const Hit seen = model.tree().first_hit(back, 0.0);
      if (std::abs(seen.t - distance) < 1e-5) point.observations.push_back({i, px});
    }
    if (point.observations.size() >= 2) points.push_back(point);
  }
  return points;
}

}  // namespace trunnion::demo
