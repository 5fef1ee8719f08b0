#include "datasets/render.h"

#include <oneapi/tbb/parallel_for.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <vector>

#include "datasets/footprint.h"
#include "datasets/random.h"

namespace trunnion::demo {
namespace {

using Eigen::Vector2d;
using Eigen::Vector3d;

constexpr int kTile = 8;
constexpr int kShadedSamples = 6;    // of an edge pixel's samples: colour needs fewer than coverage
constexpr int kSettledSamples = 16;  // all covered: inside the outline, no need for more

// The share of 255 that `count` of `samples` make.
std::uint8_t share(int count, int samples) {
  return static_cast<std::uint8_t>((count * 255 + samples / 2) / samples);
}

class SpecimenRenderer {
 public:
  SpecimenRenderer(const SpecimenModel& model, const Camera& camera, const Pose& camera_from_world,
                   const Pose& camera_from_stage, const Backdrop& backdrop)
      : model_(model),
        camera_(camera),
        pose_(camera_from_world),
        world_from_camera_(camera_from_world.inverse()),
        stage_from_world_(camera_from_stage.R.transpose() * camera_from_world.R),
        backdrop_(backdrop) {
    for (std::uint32_t i = 0; i < kEdgeSamples; ++i) pattern_.push_back(sobol(i));
    tiles_x_ = (camera.width_px + kTile - 1) / kTile;
    tiles_y_ = (camera.height_px + kTile - 1) / kTile;
    tiles_.resize(static_cast<std::size_t>(tiles_x_) * static_cast<std::size_t>(tiles_y_));
    for (std::size_t i = 0; i < model.solids().size(); ++i) list_in_tiles(i);
  }

  RenderedView render() {
    const cv::Size size(camera_.width_px, camera_.height_px);
    view_.colour = cv::Mat(size, CV_32FC3);
    view_.coverage = cv::Mat::zeros(size, CV_8U);
    view_.bristles = cv::Mat::zeros(size, CV_8U);
    view_.pin = cv::Mat::zeros(size, CV_8U);
    view_.through = cv::Mat::zeros(size, CV_32F);
    view_.depth_mm = cv::Mat::zeros(size, CV_32F);
    tbb::parallel_for(0, tiles_y_, [this](int row) {
      for (int column = 0; column < tiles_x_; ++column) render_tile(column, row);
    });
    return view_;
  }

 private:
  using Candidates = std::vector<int>;

  struct Sums {
    Vector3d colour = Vector3d::Zero();
    double depth = 0;
    double through = 0;  // shares of the backdrop's light, of shaded samples
    int shaded = 0;
    int hits = 0;
    int bristles = 0;
    int pin = 0;
    int samples = 0;
    bool thin = false;
  };

  void list_in_tiles(std::size_t index) {
    prints_.push_back(footprint_of(model_.solids()[index], camera_, pose_));
    const PixelBox& box = prints_.back().box;
    const auto tile = [](double px, int tiles) {
      return static_cast<int>(std::clamp(std::floor((px + 0.5) / kTile), -1.0, double(tiles)));
    };
    const int right = std::min(tile(box.right, tiles_x_), tiles_x_ - 1);
    const int bottom = std::min(tile(box.bottom, tiles_y_), tiles_y_ - 1);
    for (int y = std::max(0, tile(box.top, tiles_y_)); y <= bottom; ++y) {
      for (int x = std::max(0, tile(box.left, tiles_x_)); x <= right; ++x) {
        tiles_[static_cast<std::size_t>(y * tiles_x_ + x)].push_back(static_cast<int>(index));
      }
    }
  }

  [[nodiscard]] Ray world_ray(const Vector2d& normalised) const {
    const Ray ray = camera_ray(camera_, normalised);
    return {world_from_camera_ * ray.origin, world_from_camera_.R * ray.direction};
  }

  [[nodiscard]] Hit trace(const Ray& ray, const Candidates& candidates, double t_min = 0.0) const {
    Hit hit;
    for (const int i : candidates) {
      intersect(model_.solids()[static_cast<std::size_t>(i)], i, ray, t_min, hit);
    }
    return hit;
  }

  [[nodiscard]] bool only_bristles(const Ray& ray, const Candidates& candidates) const {
    Hit hit;
    for (const int i : candidates) {
      const Solid& solid = model_.solids()[static_cast<std::size_t>(i)];
      if (solid.part != Part::bristle) intersect(solid, i, ray, 0.0, hit);
    }
    return !hit.any();
  }

  void add_sample(const Vector2d& normalised, const Candidates& candidates, bool want_colour,
                  Sums& sums) const {
    ++sums.samples;
    const Ray ray = world_ray(normalised);
    const Hit hit = trace(ray, candidates);
    if (!hit.any()) return;
    ++sums.hits;
    const Part part = model_.solids()[static_cast<std::size_t>(hit.solid)].part;
    sums.thin = sums.thin || part == Part::bristle;
    if (part == Part::pin) ++sums.pin;
    if (part == Part::bristle && only_bristles(ray, candidates)) ++sums.bristles;
    if (!want_colour && sums.shaded > 0) return;
    sums.depth += (pose_ * Vector3d(ray.origin + hit.t * ray.direction)).z();
    ++sums.shaded;
    add_colour(ray, hit, candidates, sums);
  }

  // Of what the ray meets first and, where that is a membrane, of what lies behind.
  void add_colour(const Ray& ray, Hit hit, const Candidates& candidates, Sums& sums) const {
    double passes = 1.0;
    while (hit.any() && passes > 0.0) {
      const Vector3d point = ray.origin + hit.t * ray.direction;
      const Surface surface = model_.surface_at(hit, point);
      sums.colour += passes * (1.0 - surface.transmission) *
                     shade(surface, stage_from_world_ * surface.normal,
                           -(stage_from_world_ * ray.direction), model_.openness_at(hit, point));
      passes *= surface.transmission;
      if (passes > 0.0) hit = trace(ray, candidates, hit.t + 1e-4);
    }
    sums.through += passes;
  }

  // Normalised coordinates of the corners of a tile's pixels; within a pixel they are linear to
  // far below a thousandth of a pixel.
  struct Corners {
    std::array<Vector2d, (kTile + 1) * (kTile + 1)> at;
    [[nodiscard]] Vector2d inside(int x, int y, const Vector2d& s) const {
      const auto i = static_cast<std::size_t>(y * (kTile + 1) + x);
      const Vector2d top = at[i] + s.x() * (at[i + 1] - at[i]);
      const Vector2d low = at[i + kTile + 1] + s.x() * (at[i + kTile + 2] - at[i + kTile + 1]);
      return top + s.y() * (low - top);
    }
  };

  // Clouding of the backdrop over a tile, from its corners.
  struct Clouds {
    double top_left, top_right, low_left, low_right;
    [[nodiscard]] double at(int x, int y) const {
      const double s = static_cast<double>(x) / kTile;
      const double t = static_cast<double>(y) / kTile;
      return (top_left * (1 - s) + top_right * s) * (1 - t) +
             (low_left * (1 - s) + low_right * s) * t;
    }
  };
  [[nodiscard]] Clouds clouds_at(int x0, int y0) const {
    const auto cloud = [this](int x, int y) {
      return backdrop_cloud(backdrop_, camera_, Vector2d(x, y));
    };
    return {cloud(x0, y0), cloud(x0 + kTile, y0), cloud(x0, y0 + kTile),
            cloud(x0 + kTile, y0 + kTile)};
  }

  void render_tile(int column, int row) {
    const Candidates& candidates = tiles_[static_cast<std::size_t>(row * tiles_x_ + column)];
    const int x0 = column * kTile;
    const int y0 = row * kTile;
    const int width = std::min(kTile, camera_.width_px - x0);
    const int height = std::min(kTile, camera_.height_px - y0);
    Corners corners;
    std::array<int, (kTile + 1) * (kTile + 1)> seen{};
    if (!candidates.empty()) {
      for (int y = 0; y <= height; ++y) {
        for (int x = 0; x <= width; ++x) {
          const auto i = static_cast<std::size_t>(y * (kTile + 1) + x);
          corners.at[i] = normalise(camera_, {x0 + x - 0.5, y0 + y - 0.5});
          seen[i] = trace(world_ray(corners.at[i]), candidates).solid;
        }
      }
    }
    const Clouds clouds = clouds_at(x0, y0);
    for (int y = 0; y < height; ++y) {
      for (int x = 0; x < width; ++x) {
        Sums sums;
        if (!candidates.empty()) {
          const auto i = static_cast<std::size_t>(y * (kTile + 1) + x);
          const bool even = seen[i] == seen[i + 1] && seen[i] == seen[i + kTile + 1] &&
                            seen[i] == seen[i + kTile + 2];
          const bool thin = near_thin(candidates, Vector2d(x0 + x, y0 + y));
          if (!even || thin || seen[i] >= 0) {
            const bool covered = seen[i] >= 0 && seen[i + 1] >= 0 && seen[i + kTile + 1] >= 0 &&
                                 seen[i + kTile + 2] >= 0;
            sums =
                sample_pixel(corners, x, y, candidates, {.many = !even || thin, .all = !covered});
          }
        }
        store(x0 + x, y0 + y, sums, clouds.at(x, y));
      }
    }
  }

  [[nodiscard]] bool near_thin(const Candidates& candidates, const Vector2d& pixel) const {
    return std::any_of(candidates.begin(), candidates.end(),
                       [&](int i) { return prints_[static_cast<std::size_t>(i)].near(pixel); });
  }

  struct Effort {
    bool many = false;  // more than a plain pixel's four samples
    bool all = false;   // every one: on the outline, or near a thin part in front of the backdrop
  };

  [[nodiscard]] Sums sample_pixel(const Corners& corners, int x, int y,
                                  const Candidates& candidates, Effort effort) const {
    Sums sums;
    if (!effort.many) {
      for (std::size_t i = 0; i < 4; ++i) {
        add_sample(corners.inside(x, y, pattern_[i]), candidates, true, sums);
      }
      return sums;
    }
    for (std::size_t i = 0; i < kEdgeSamples; ++i) {
      add_sample(corners.inside(x, y, pattern_[i]), candidates, i < kShadedSamples, sums);
      const bool settled = !effort.all && !sums.thin && sums.hits == sums.samples;
      if (i + 1 == kSettledSamples && settled) break;
    }
    return sums;
  }

  void store(int x, int y, const Sums& sums, double cloud) {
    const double coverage = sums.samples > 0 ? static_cast<double>(sums.hits) / sums.samples : 0.0;
    Vector3d colour = Vector3d::Zero();
    double through = 1.0 - coverage;
    if (sums.shaded > 0) through += coverage * sums.through / sums.shaded;
    if (through > 0.0) {
      colour = through * backdrop_colour(backdrop_, camera_, Vector2d(x, y), cloud);
    }
    view_.through.at<float>(y, x) = static_cast<float>(through);
    if (sums.shaded > 0) {
      colour += coverage / sums.shaded * sums.colour;
      view_.depth_mm.at<float>(y, x) = static_cast<float>(sums.depth / sums.shaded);
    }
    view_.colour.at<cv::Vec3f>(y, x) =
        cv::Vec3f(static_cast<float>(colour.x()), static_cast<float>(colour.y()),
                  static_cast<float>(colour.z()));
    if (sums.hits == 0) return;
    view_.coverage.at<std::uint8_t>(y, x) = share(sums.hits, sums.samples);
    view_.bristles.at<std::uint8_t>(y, x) = share(sums.bristles, sums.samples);
    view_.pin.at<std::uint8_t>(y, x) = share(sums.pin, sums.samples);
  }

  const SpecimenModel& model_;
  Camera camera_;
  Pose pose_;
  Pose world_from_camera_;
  Eigen::Matrix3d stage_from_world_;
  Backdrop backdrop_;
  std::vector<Vector2d> pattern_;
  std::vector<Footprint> prints_;
  std::vector<Candidates> tiles_;
  int tiles_x_ = 0;
  int tiles_y_ = 0;
  RenderedView view_;
};

}  // namespace

Ray camera_ray(const Camera& camera, const Vector2d& normalised) {
  if (camera.projection == Projection::telecentric) {
    return {Vector3d(normalised.x(), normalised.y(), 0.0), Vector3d::UnitZ()};
  }
  return {Vector3d::Zero(), Vector3d(normalised.x(), normalised.y(), 1.0).normalized()};
}

RenderedView render_specimen(const SpecimenModel& model, const Camera& camera,
                             const Pose& camera_from_world, const Pose& camera_from_stage,
                             const Backdrop& backdrop) {
  return SpecimenRenderer(model, camera, camera_from_world, camera_from_stage, backdrop).render();
}

}  // namespace trunnion::demo
