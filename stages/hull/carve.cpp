#include "stages/hull/carve.h"

#include <tbb/parallel_for.h>

#include <Eigen/Geometry>
#include <Eigen/LU>
#include <algorithm>
#include <cmath>

namespace trunnion::hull {
namespace {

// The distances of masks are not quite those of a plane's points: perspective, strands,
// DIST_MASK_5.
constexpr double kSlack = 1.1;
constexpr float kBandVoxels = 3.0F;

struct Ray {
  Eigen::Vector3d point;
  Eigen::Vector3d direction;  // unit
};

Ray ray_of(const Field& field, double u, double v) {
  const Camera& camera = field.camera;
  const Eigen::Vector3d at((u - camera.cx) / camera.fx, (v - camera.cy) / camera.fy, 1.0);
  const Eigen::Matrix3d back = field.pose.R.transpose();
  if (camera.projection == Projection::telecentric) {
    return {back * (Eigen::Vector3d(at.x(), at.y(), 0.0) - field.pose.t), back.col(2)};
  }
  return {field.pose.centre_mm(), (back * at).normalized()};
}

struct Pixel {
  float u;
  float v;
};

Pixel project(const Field& field, const Eigen::Vector3d& world) {
  const Eigen::Vector3d p = field.pixel_from_world * world.homogeneous();
  return {static_cast<float>(p.x() / p.z()), static_cast<float>(p.y() / p.z())};
}

// What the views leave open about a cell.
struct Open {
  std::vector<std::pair<float, std::size_t>> views;  // may cut it: distance at its middle, view
  std::vector<std::size_t> edge;                     // the frame's edge may pass through it
  std::size_t seen = 0;                              // views with the whole cell in the frame
};

enum class State { outside, inside, open };

class Carver {
 public:
  Carver(const std::vector<Field>& fields, const Ball& ball, const Grid& grid, Carved& out)
      : fields_(fields), ball_(ball), grid_(grid), out_(out), need_((fields.size() + 1) / 2) {}

  void cell(const Cell& cell, const Open& parent) {
    Open open;
    open.seen = parent.seen;
    const State state = settle(cell, parent, open);
    if (state == State::outside) return;
    if (state == State::inside) {
      out_.inside.push_back(cell);
      return;
    }
    if (cell.size == kLeaf) {
      leaf(cell, open);
      return;
    }
    const int half = cell.size / 2;
    for (int k = 0; k < 8; ++k) {
      const Eigen::Vector3i step(k & 1, (k >> 1) & 1, (k >> 2) & 1);
      this->cell({cell.at + half * step, half}, open);
    }
  }

  // What is open about everything.
  [[nodiscard]] Open all() const {
    Open open;
    for (std::size_t k = 0; k < fields_.size(); ++k) {
      open.views.emplace_back(0.0F, k);
      open.edge.push_back(k);
    }
    return open;
  }

 private:
  State settle(const Cell& cell, const Open& parent, Open& open) const {
    const double half = 0.5 * (cell.size - 1);
    const Eigen::Vector3d middle =
        grid_.position(cell.at.cast<double>() + Eigen::Vector3d::Constant(half));
    // To the corners, and a voxel further, where the neighbour's values begin.
    const double radius_mm = (std::sqrt(3.0) * half + 2.0) * grid_.voxel_mm;
    const double in_ball = ball_.radius - (middle - ball_.centre).norm();
    if (in_ball < -radius_mm) return State::outside;
    bool cut = in_ball <= radius_mm;
    for (const auto& [unused, view] : parent.views) {
      const Field& field = fields_[view];
      const Pixel at = project(field, middle);
      const auto reach = static_cast<float>(kSlack * radius_mm * field.scale_at(middle));
      const float frame = field.inside_frame(at.u, at.v);
      const bool edge =
          std::find(parent.edge.begin(), parent.edge.end(), view) != parent.edge.end();
      if (edge && frame < -reach) continue;  // says nothing of this cell
      if (edge && frame <= reach) {
        open.edge.push_back(view);
        open.views.emplace_back(frame > 0 ? field.at(at.u, at.v) : 0.0F, view);
        cut = true;
        continue;
      }
      if (edge) ++open.seen;
      const float distance = field.at(at.u, at.v);
      if (distance < -reach) return State::outside;
      if (distance > reach) continue;
      open.views.emplace_back(distance, view);
      cut = true;
    }
    return finish(open, cut);
  }

  // Views that settled that the whole cell is inside their silhouette are asked no more, but still
  // see it; those whose frame it left don't.
  State finish(Open& open, bool cut) const {
    if (open.seen + open.edge.size() < need_) return State::outside;
    if (open.seen >= need_ && !cut) return State::inside;
    std::sort(open.views.begin(), open.views.end());
    return State::open;
  }

  void leaf(const Cell& cell, const Open& open) {
    Leaf leaf;
    leaf.at = cell.at;
    const auto band = static_cast<float>(kBandVoxels * grid_.voxel_mm);
    std::vector<float> mm_per_px;
    const Eigen::Vector3d middle =
        grid_.position(cell.at.cast<double>().array() + 0.5 * (kLeaf - 1));
    for (const auto& [unused, view] : open.views) {
      mm_per_px.push_back(static_cast<float>(1.0 / fields_[view].scale_at(middle)));
    }
    std::size_t place = 0;
    std::vector<float> frames;
    for (int x = 0; x < kLeaf; ++x) {
      for (int y = 0; y < kLeaf; ++y) {
        for (int z = 0; z < kLeaf; ++z) {
          const Eigen::Vector3d world =
              grid_.position((cell.at + Eigen::Vector3i(x, y, z)).cast<double>());
          leaf.mm[place++] = voxel(world, open, mm_per_px, frames, band);
        }
      }
    }
    out_.leaves.push_back(leaf);
  }

  float voxel(const Eigen::Vector3d& world, const Open& open, const std::vector<float>& mm_per_px,
              std::vector<float>& frames, float band) const {
    float least = std::min(band, static_cast<float>(ball_.radius - (world - ball_.centre).norm()));
    for (std::size_t k = 0; k < open.views.size(); ++k) {
      const Field& field = fields_[open.views[k].second];
      const Pixel at = project(field, world);
      if (!open.edge.empty() && !(field.inside_frame(at.u, at.v) > 0)) continue;
      least = std::min(least, field.at(at.u, at.v) * mm_per_px[k]);
      if (least < -band) return -band;
    }
    if (open.seen >= need_) return least;
    frames.clear();
    for (const std::size_t view : open.edge) {
      const Pixel at = project(fields_[view], world);
      frames.push_back(fields_[view].inside_frame(at.u, at.v));
    }
    const auto wanted = static_cast<std::ptrdiff_t>(need_ - open.seen - 1);
    std::nth_element(frames.begin(), frames.begin() + wanted, frames.end(), std::greater<>());
    const float px = frames[static_cast<std::size_t>(wanted)];
    return std::max(-band, std::min(least, px * mm_per_px.front()));
  }

  const std::vector<Field>& fields_;
  const Ball& ball_;
  const Grid& grid_;
  Carved& out_;
  std::size_t need_;
};

Grid grid_over(const Ball& ball, double voxel_mm) {
  Grid grid;
  grid.voxel_mm = voxel_mm;
  int size = kLeaf;
  while (size * voxel_mm < 2.0 * ball.radius + 4.0 * voxel_mm) {
    size *= 2;
    ++grid.levels;
  }
  grid.origin_mm = ball.centre - Eigen::Vector3d::Constant(0.5 * (size - 1) * voxel_mm);
  return grid;
}

}  // namespace

Ball ball_of(const std::vector<Field>& fields) {
  Eigen::Matrix3d normal = Eigen::Matrix3d::Zero();
  Eigen::Vector3d right = Eigen::Vector3d::Zero();
  for (const Field& field : fields) {
    const Ray ray =
        ray_of(field, field.box.x + 0.5 * field.box.width, field.box.y + 0.5 * field.box.height);
    const Eigen::Matrix3d across =
        Eigen::Matrix3d::Identity() - ray.direction * ray.direction.transpose();
    normal += across;
    right += across * ray.point;
  }
  // What leaves a frame reaches further than the frame shows.
  constexpr double kBeyond = 1.3;
  Ball ball;
  ball.centre = normal.fullPivLu().solve(right);
  for (const Field& field : fields) {
    const cv::Rect& box = field.box;
    for (const int u : {box.x - 4, box.x + box.width + 4}) {
      for (const int v : {box.y - 4, box.y + box.height + 4}) {
        const Ray ray = ray_of(field, u, v);
        ball.radius = std::max(ball.radius, (ball.centre - ray.point).cross(ray.direction).norm());
      }
    }
  }
  if (std::any_of(fields.begin(), fields.end(), [](const Field& f) { return f.cut; })) {
    ball.radius *= kBeyond;
  }
  return ball;
}

Carved carve(const std::vector<Field>& fields, const Ball& ball, double voxel_mm) {
  Carved carved;
  carved.grid = grid_over(ball, voxel_mm);
  carved.band_mm = static_cast<float>(kBandVoxels * voxel_mm);
  // Parts that do not depend on each other, put together in their order.
  const int split = std::min(3, carved.grid.levels);
  const int parts = 1 << split;
  const int size = (kLeaf << carved.grid.levels) / parts;
  std::vector<Carved> found(static_cast<std::size_t>(parts * parts * parts));
  tbb::parallel_for(std::size_t{0}, found.size(), [&](std::size_t k) {
    const auto index = static_cast<int>(k);
    const Eigen::Vector3i at(index / (parts * parts), index / parts % parts, index % parts);
    Carver carver(fields, ball, carved.grid, found[k]);
    carver.cell({size * at, size}, carver.all());
  });
  for (Carved& part : found) {
    carved.leaves.insert(carved.leaves.end(), part.leaves.begin(), part.leaves.end());
    carved.inside.insert(carved.inside.end(), part.inside.begin(), part.inside.end());
    part = {};
  }
  return carved;
}

}  // namespace trunnion::hull
