#include "tests/support/hull_truth.h"

#include <tbb/parallel_for.h>

#include <Eigen/Geometry>
#include <cmath>
#include <map>
#include <set>
#include <stdexcept>
#include <unordered_map>

#include "datasets/random.h"
#include "datasets/render.h"
#include "tests/support/mask_bodies.h"

namespace trunnion::test {
namespace {

std::unique_ptr<demo::SpecimenModel> model_of(const std::string& body, std::uint64_t seed,
                                              double pixel_mm) {
  const std::map<std::string, demo::Body> demos{
      {"beetle", demo::Body::beetle}, {"shell", demo::Body::shell}, {"pebble", demo::Body::pebble}};
  if (const auto found = demos.find(body); found != demos.end()) {
    return std::make_unique<demo::SpecimenModel>(
        demo::SpecimenOptions{.body = found->second, .seed = seed, .object_pixel_mm = pixel_mm});
  }
  const auto search = [&](const auto& bodies) -> std::unique_ptr<demo::SpecimenModel> {
    for (const MaskBody& one : bodies) {
      if (body == one.name) return std::make_unique<BodyModel>(one, pixel_mm);
    }
    return nullptr;
  };
  if (auto found = search(kTuningBodies)) return found;
  if (auto found = search(kJudgingBodies)) return found;
  throw std::invalid_argument("no body " + body);
}

double coverage_at(const cv::Mat& mask, const Eigen::Vector2d& p) {
  const double x = std::clamp(p.x(), 0.0, mask.cols - 1.001);
  const double y = std::clamp(p.y(), 0.0, mask.rows - 1.001);
  const int ix = static_cast<int>(x);
  const int iy = static_cast<int>(y);
  const double fx = x - ix;
  const double fy = y - iy;
  const auto at = [&](int v, int u) { return mask.at<std::uint8_t>(v, u) / 255.0; };
  return (1 - fy) * ((1 - fx) * at(iy, ix) + fx * at(iy, ix + 1)) +
         fy * ((1 - fx) * at(iy + 1, ix) + fx * at(iy + 1, ix + 1));
}

bool in_frame(const hull::HullView& view, const Eigen::Vector2d& p) {
  return p.x() > -0.5 && p.y() > -0.5 && p.x() < view.camera.width_px - 0.5 &&
         p.y() < view.camera.height_px - 0.5;
}

// Vertices by cells of 4 px.
class Vertices {
 public:
  Vertices(const hull::Mesh& mesh, double cell_mm) : mesh_(mesh), cell_(cell_mm) {
    for (std::size_t k = 0; k < mesh.vertices.size(); ++k) {
      cells_[key(cell_of(mesh.vertices[k].cast<double>()))].push_back(k);
    }
  }
  [[nodiscard]] bool any_within(const Eigen::Vector3d& p, double radius_mm) const {
    const Eigen::Vector3i middle = cell_of(p);
    for (int k = 0; k < 27; ++k) {
      const Eigen::Vector3i step(k % 3 - 1, k / 3 % 3 - 1, k / 9 - 1);
      const auto found = cells_.find(key(middle + step));
      if (found == cells_.end()) continue;
      for (const std::size_t vertex : found->second) {
        if ((mesh_.vertices[vertex].cast<double>() - p).norm() < radius_mm) return true;
      }
    }
    return false;
  }

 private:
  [[nodiscard]] Eigen::Vector3i cell_of(const Eigen::Vector3d& p) const {
    return (p / cell_).array().floor().cast<int>();
  }
  static std::uint64_t key(const Eigen::Vector3i& c) {
    const auto part = [](int v) { return static_cast<std::uint64_t>(v + (1 << 20)); };
    return part(c.x()) << 42U | part(c.y()) << 21U | part(c.z());
  }
  const hull::Mesh& mesh_;
  double cell_;
  std::unordered_map<std::uint64_t, std::vector<std::size_t>> cells_;
};

// The silhouettes show something at a point that is narrower than they resolve elsewhere.
bool shown(const HullSet& set, const Eigen::Vector3d& world) {
  for (std::size_t k = 0; k < set.views.size(); ++k) {
    const Eigen::Vector2d p = project(set.views[k].camera, set.views[k].pose * world);
    if (!in_frame(set.views[k], p)) return false;
    const cv::Rect around = cv::Rect(static_cast<int>(std::lround(p.x())) - 1,
                                     static_cast<int>(std::lround(p.y())) - 1, 3, 3) &
                            cv::Rect(0, 0, set.masks[k].cols, set.masks[k].rows);
    double most = 0;
    cv::minMaxLoc(set.masks[k](around), nullptr, &most);
    if (most < 128) return false;
  }
  return true;
}

bool stands_free(const HullSet& set, const Eigen::Vector3d& p, const Eigen::Vector3d& along) {
  const Eigen::Vector3d across = along.unitOrthogonal();
  for (int k = 0; k < 8; ++k) {
    const Eigen::Vector3d off = Eigen::AngleAxisd(k * M_PI / 4.0, along) * across;
    if (in_true_hull(set, p + 4.0 * set.pixel_mm * off)) return false;
  }
  return true;
}

void score_thin(const HullSet& set, const hull::Mesh& mesh, HullScore& score) {
  constexpr double kThin_px = 1.5;  // radius
  const Vertices vertices(mesh, 4.0 * set.pixel_mm);
  const double step = 0.5 * set.pixel_mm;
  double kept = 0;
  for (const demo::Solid& solid : set.model->solids()) {
    if (solid.shape != demo::Solid::Shape::round_cone) continue;
    if (std::max(solid.radius_a, solid.radius_b) > kThin_px * set.pixel_mm) continue;
    const double length = (solid.b - solid.a).norm();
    const Eigen::Vector3d along = (solid.b - solid.a) / std::max(1e-12, length);
    for (double t = 0; t < length; t += step) {
      const Eigen::Vector3d p = solid.a + t * along;
      if (!shown(set, p) || !stands_free(set, p, along)) continue;
      score.thin_shown_mm += step;
      if (vertices.any_within(p, 2.5 * set.pixel_mm)) kept += step;
    }
  }
  score.thin_kept = score.thin_shown_mm > 0 ? kept / score.thin_shown_mm : 1.0;
}

// Signed px from a vertex outwards to the true hull's surface; clipped.
double distance_px(const HullSet& set, const Eigen::Vector3d& p, const Eigen::Vector3d& normal) {
  constexpr double kReach_px = 6.0;
  const auto inside = [&](double px) { return in_true_hull(set, p + px * set.pixel_mm * normal); };
  const bool here = inside(0);
  double near = 0;
  double far = 0;
  for (double px = 0.5; px <= kReach_px; px += 0.5) {
    far = here ? px : -px;
    if (inside(far) != here) break;
    near = far;
  }
  for (int k = 0; k < 6; ++k) {
    const double middle = 0.5 * (near + far);
    (inside(middle) == here ? near : far) = middle;
  }
  return 0.5 * (near + far);
}

}  // namespace

HullSet hull_set(const std::string& body, std::uint64_t seed, const demo::RigOptions& options) {
  HullSet set;
  set.name = body;
  const demo::Rig rig = demo::make_rig(options);
  set.pixel_mm = rig.object_pixel_mm;
  set.model = model_of(body, seed, rig.object_pixel_mm);
  const Camera camera = ideal(rig.camera);
  for (std::size_t ring = 0; ring < rig.rings.size(); ++ring) {
    for (std::size_t k = 0; k < rig.rings[ring].angles.size(); ++k) {
      const Pose pose = rig.pose(ring, k);
      set.views.push_back({.name = rig.rings[ring].nominal.name + "_" + std::to_string(k),
                           .ring = rig.rings[ring].nominal.name,
                           .station = static_cast<int>(k),
                           .camera = camera,
                           .pose = pose});
      set.masks.push_back(demo::render_specimen(*set.model, camera, pose,
                                                rig.rings[ring].camera_from_stage(rig.telecentric),
                                                {})
                              .coverage);
    }
  }
  return set;
}

bool in_true_hull(const HullSet& set, const Eigen::Vector3d& world) {
  std::size_t seen = 0;
  for (std::size_t k = 0; k < set.views.size(); ++k) {
    const Eigen::Vector2d p = project(set.views[k].camera, set.views[k].pose * world);
    if (!in_frame(set.views[k], p)) continue;
    ++seen;
    if (coverage_at(set.masks[k], p) < 0.5) return false;
  }
  return 2 * seen >= set.views.size();
}

double volume_of(const hull::Mesh& mesh) {
  double sum = 0;
  for (const auto& t : mesh.triangles) {
    sum += mesh.vertices[t[0]].cast<double>().dot(
        mesh.vertices[t[1]].cast<double>().cross(mesh.vertices[t[2]].cast<double>()));
  }
  return sum / 6.0;
}

bool is_closed(const hull::Mesh& mesh) {
  std::map<std::pair<std::uint32_t, std::uint32_t>, int> edges;
  for (const auto& t : mesh.triangles) {
    for (std::size_t k = 0; k < 3; ++k) {
      const std::uint32_t a = t[k];
      const std::uint32_t b = t[(k + 1) % 3];
      edges[std::minmax(a, b)] += a < b ? 1 : -1;
    }
  }
  for (const auto& [edge, sum] : edges) {
    if (sum != 0) return false;
  }
  return !edges.empty();
}

HullScore score_hull(const HullSet& set, const hull::Mesh& mesh, std::size_t points) {
  HullScore score;
  Eigen::Vector3d low = Eigen::Vector3d::Constant(1e9);
  Eigen::Vector3d high = -low;
  for (const Eigen::Vector3f& vertex : mesh.vertices) {
    low = low.cwiseMin(vertex.cast<double>());
    high = high.cwiseMax(vertex.cast<double>());
  }
  low.array() -= 4.0 * set.pixel_mm;
  high.array() += 4.0 * set.pixel_mm;
  std::vector<std::uint8_t> inside(points, 0);
  tbb::parallel_for(std::size_t{0}, points, [&](std::size_t k) {
    const auto draw = [&](std::uint64_t axis) { return demo::unit(demo::hash_of(7, k, axis)); };
    const Eigen::Vector3d share(draw(0), draw(1), draw(2));
    inside[k] = in_true_hull(set, low + share.cwiseProduct(high - low)) ? 1 : 0;
  });
  double hits = 0;
  for (const std::uint8_t hit : inside) hits += hit;
  const double share = hits / static_cast<double>(points);
  score.volume_ratio = volume_of(mesh) / (share * (high - low).prod());
  score.volume_sigma = std::sqrt((1.0 - share) / std::max(1.0, hits));
  const std::size_t stride = std::max<std::size_t>(1, mesh.vertices.size() / 20000);
  double sum = 0;
  std::size_t count = 0;
  for (std::size_t k = 0; k < mesh.vertices.size(); k += stride) {
    sum +=
        std::abs(distance_px(set, mesh.vertices[k].cast<double>(), mesh.normals[k].cast<double>()));
    ++count;
  }
  score.mean_distance_px = sum / static_cast<double>(std::max<std::size_t>(1, count));
  score_thin(set, mesh, score);
  return score;
}

}  // namespace trunnion::test
