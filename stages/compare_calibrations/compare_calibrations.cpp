#include "stages/compare_calibrations/compare_calibrations.h"

#include <fmt/format.h>

#include <Eigen/Dense>
#include <algorithm>
#include <array>
#include <cmath>

#include "core/angle.h"
#include "core/error.h"

namespace trunnion::compare_calibrations {
namespace {

using Vector9 = Eigen::Matrix<double, 9, 1>;
using Matrix9 = Eigen::Matrix<double, 9, 9>;

constexpr std::array<const char*, 9> kLensNames{"fx", "fy", "cx", "cy", "k1",
                                                "k2", "p1", "p2", "k3"};

Vector9 values_of(const Camera& camera) {
  Vector9 values;
  values << camera.fx, camera.fy, camera.cx, camera.cy, camera.distortion[0], camera.distortion[1],
      camera.distortion[2], camera.distortion[3], camera.distortion[4];
  return values;
}

Camera camera_of(Camera camera, const Vector9& values) {
  camera.fx = values[0];
  camera.fy = values[1];
  camera.cx = values[2];
  camera.cy = values[3];
  for (std::size_t k = 0; k < 5; ++k) {
    camera.distortion[k] = values[4 + static_cast<Eigen::Index>(k)];
  }
  return camera;
}

// Fills chi-square and what follows from it.
void test(const Eigen::VectorXd& difference, const Eigen::MatrixXd& covariance,
          const CompareOptions& options, Group& group) {
  std::vector<Eigen::Index> uncertain;
  for (Eigen::Index i = 0; i < difference.size(); ++i) {
    if (covariance(i, i) > 0) uncertain.push_back(i);
  }
  if (uncertain.empty()) return;
  const Eigen::VectorXd d = difference(uncertain);
  const Eigen::MatrixXd c = covariance(uncertain, uncertain);
  const Eigen::VectorXd scale = c.diagonal().cwiseSqrt().cwiseInverse();
  const Eigen::SelfAdjointEigenSolver<Eigen::MatrixXd> eigen(scale.asDiagonal() * c *
                                                             scale.asDiagonal());
  // Parameters that are tied (square pixels) leave directions without variance.
  constexpr double kTied = 1e-9;
  const Eigen::VectorXd along = eigen.eigenvectors().transpose() * scale.cwiseProduct(d);
  for (Eigen::Index i = 0; i < along.size(); ++i) {
    if (eigen.eigenvalues()[i] < kTied) continue;
    group.chi_square += along[i] * along[i] / eigen.eigenvalues()[i];
    ++group.freedom;
  }
  group.probability = chi_square_tail(group.chi_square, group.freedom);
  group.moved = group.probability < options.least_probability;
}

Change change_of(std::string what, std::string unit, double before, double now, double sigma) {
  const double off = std::abs(now - before);
  return {std::move(what), std::move(unit), before, now, sigma, sigma > 0 ? off / sigma : 0.0};
}

Group lens_group(const LensCalibration& before, const LensCalibration& now,
                 const CompareOptions& options) {
  Group group;
  group.name = "lens";
  const Vector9 then = values_of(before.camera);
  const Vector9 since = values_of(now.camera);
  const Matrix9 covariance = before.covariance + now.covariance;
  const bool perspective = now.camera.projection == Projection::perspective;
  for (Eigen::Index i = 0; i < 9; ++i) {
    const char* unit = i < 2 ? (perspective ? "px" : "px/mm") : i < 4 ? "px" : "";
    if (then[i] == 0 && since[i] == 0 && covariance(i, i) == 0) continue;  // in neither model
    group.changes.push_back(change_of(kLensNames.at(static_cast<std::size_t>(i)), unit, then[i],
                                      since[i], std::sqrt(covariance(i, i))));
  }
  test(since - then, covariance, options, group);
  return group;
}

Group ring_group(const RingAxis& before, const RingAxis& now, bool telecentric,
                 const CompareOptions& options) {
  Group group;
  group.name = now.ring.empty() ? "axis" : "axis of ring " + now.ring;
  const Eigen::Matrix3d stage = camera_from_stage(before.axis, telecentric).R;
  const Eigen::Vector3d turn = before.axis.direction.cross(now.axis.direction);
  Eigen::VectorXd difference(5);
  difference << turn.dot(stage.col(0)), turn.dot(stage.col(1)),
      now.axis.origin_mm - before.axis.origin_mm;
  const AxisCovariance covariance = before.covariance + now.covariance;
  constexpr std::array<const char*, 5> kNames{"direction about the stage's X",
                                              "direction about the stage's Y", "origin x",
                                              "origin y", "origin z"};
  for (Eigen::Index i = 0; i < 5; ++i) {
    const bool angle = i < 2;
    const double factor = angle ? degrees(1.0) : 1.0;
    const double then = angle ? 0.0 : before.axis.origin_mm[i - 2];
    const double since = angle ? difference[i] : now.axis.origin_mm[i - 2];
    group.changes.push_back(change_of(kNames.at(static_cast<std::size_t>(i)),
                                      angle ? "degrees" : "mm", factor * then, factor * since,
                                      factor * std::sqrt(covariance(i, i))));
  }
  test(difference, covariance, options, group);
  return group;
}

// The image of fixed rays: those that `before` images at a grid of pixels, as `camera` images them.
class Rays {
 public:
  explicit Rays(const Camera& before) {
    constexpr int kColumns = 13;
    constexpr int kRows = 9;
    for (int j = 0; j < kRows; ++j) {
      for (int i = 0; i < kColumns; ++i) {
        const Eigen::Vector2d pixel(i * (before.width_px - 1.0) / (kColumns - 1),
                                    j * (before.height_px - 1.0) / (kRows - 1));
        const Eigen::Vector2d ray = normalise(before, pixel);
        if (!ray.allFinite()) continue;
        pixels_.push_back(pixel);
        rays_.push_back(ray);
      }
    }
  }
  [[nodiscard]] Eigen::VectorXd images(const Camera& camera) const {
    Eigen::VectorXd result(2 * static_cast<Eigen::Index>(rays_.size()));
    for (std::size_t i = 0; i < rays_.size(); ++i) {
      result.segment<2>(2 * static_cast<Eigen::Index>(i)) =
          project(camera, Eigen::Vector3d(rays_[i].x(), rays_[i].y(), 1.0));
    }
    return result;
  }
  // Takes out shift, turn and scale: a projection of all shifts.
  [[nodiscard]] Eigen::MatrixXd without_similarity() const {
    const auto n = static_cast<Eigen::Index>(pixels_.size());
    Eigen::MatrixXd moves(2 * n, 4);
    Eigen::Vector2d centre = Eigen::Vector2d::Zero();
    for (const Eigen::Vector2d& p : pixels_) centre += p / static_cast<double>(n);
    for (Eigen::Index i = 0; i < n; ++i) {
      const Eigen::Vector2d p = pixels_[static_cast<std::size_t>(i)] - centre;
      moves.row(2 * i) << 1, 0, p.x(), -p.y();
      moves.row(2 * i + 1) << 0, 1, p.y(), p.x();
    }
    return Eigen::MatrixXd::Identity(2 * n, 2 * n) -
           moves * (moves.transpose() * moves).ldlt().solve(moves.transpose());
  }

 private:
  std::vector<Eigen::Vector2d> pixels_;
  std::vector<Eigen::Vector2d> rays_;
};

PixelShift shift_of(const Eigen::VectorXd& shift, const Eigen::MatrixXd& by_parameter,
                    const Matrix9& covariance) {
  PixelShift result;
  const double points = 0.5 * static_cast<double>(shift.size());
  result.rms_px = shift.norm() / std::sqrt(points);
  for (Eigen::Index i = 0; i + 1 < shift.size(); i += 2) {
    result.largest_px = std::max(result.largest_px, shift.segment<2>(i).norm());
  }
  const Eigen::MatrixXd spread = by_parameter * covariance;
  result.expected_rms_px =
      std::sqrt(std::max(0.0, spread.cwiseProduct(by_parameter).sum()) / points);
  return result;
}

void compare_pixels(const LensCalibration& before, const LensCalibration& now,
                    Comparison& comparison) {
  const Rays rays(before.camera);
  const Eigen::VectorXd shift = rays.images(now.camera) - rays.images(before.camera);
  Eigen::MatrixXd slope(shift.size(), 9);
  const Vector9 values = values_of(now.camera);
  for (Eigen::Index k = 0; k < 9; ++k) {
    const double step = 1e-5 * std::max(std::abs(values[k]), k < 4 ? 1.0 : 1e-2);
    Vector9 moved = values;
    moved[k] += step;
    const Eigen::VectorXd up = rays.images(camera_of(now.camera, moved));
    moved[k] -= 2 * step;
    slope.col(k) = (up - rays.images(camera_of(now.camera, moved))) / (2 * step);
  }
  const Matrix9 covariance = before.covariance + now.covariance;
  comparison.ray = shift_of(shift, slope, covariance);
  const Eigen::MatrixXd shape = rays.without_similarity();
  comparison.shape = shift_of(shape * shift, shape * slope, covariance);
}

std::string verdict_of(const Comparison& comparison) {
  std::string moved;
  for (const Group& group : comparison.groups) {
    if (group.moved) moved += (moved.empty() ? "" : ", ") + group.name;
  }
  if (moved.empty()) {
    return "Nothing has moved beyond the uncertainty of the two calibrations.";
  }
  return fmt::format("Moved beyond the uncertainty of the two calibrations: {}.", moved);
}

}  // namespace

double chi_square_tail(double x, int freedom) {
  if (freedom <= 0 || !(x > 0)) return 1.0;
  const double a = 0.5 * freedom;
  const double y = 0.5 * x;
  const double front = std::exp(-y + a * std::log(y) - std::lgamma(a));
  if (y < a + 1.0) {  // series of the lower function
    double term = 1.0 / a;
    double sum = term;
    for (int n = 1; n < 1000 && term > 1e-16 * sum; ++n) {
      term *= y / (a + n);
      sum += term;
    }
    return std::max(0.0, 1.0 - front * sum);
  }
  // Continued fraction of the upper function, evaluated from the front (Lentz).
  double b = y + 1.0 - a;
  double c = 1e300;
  double d = 1.0 / b;
  double h = d;
  for (int n = 1; n < 1000; ++n) {
    const double an = -n * (n - a);
    b += 2.0;
    d = 1.0 / (an * d + b);
    c = b + an / c;
    h *= d * c;
    if (std::abs(d * c - 1.0) < 1e-15) break;
  }
  return front * h;
}

Comparison compare_calibrations(const CalibrationRecord& before, const CalibrationRecord& now,
                                const CompareOptions& options) {
  Comparison comparison;
  if (before.lens && now.lens) {
    const Camera& a = before.lens->camera;
    const Camera& b = now.lens->camera;
    if (a.projection != b.projection || a.width_px != b.width_px || a.height_px != b.height_px) {
      throw data_error(
          "The earlier calibration is of another image size or projection; compare calibrations of "
          "one setup.");
    }
    comparison.groups.push_back(lens_group(*before.lens, *now.lens, options));
    compare_pixels(*before.lens, *now.lens, comparison);
  }
  if (before.axis && now.axis) {
    const bool telecentric = now.lens && now.lens->camera.projection == Projection::telecentric;
    for (const RingAxis& ring : now.axis->rings) {
      const auto& rings = before.axis->rings;
      const auto then = std::find_if(rings.begin(), rings.end(),
                                     [&](const RingAxis& r) { return r.ring == ring.ring; });
      if (then != rings.end()) {
        comparison.groups.push_back(ring_group(*then, ring, telecentric, options));
      }
    }
  }
  if (comparison.groups.empty()) {
    throw data_error(
        "The two calibrations have neither a lens nor a ring in common; nothing can be compared.");
  }
  comparison.moved = std::any_of(comparison.groups.begin(), comparison.groups.end(),
                                 [](const Group& group) { return group.moved; });
  comparison.verdict = verdict_of(comparison);
  if (comparison.moved) {
    comparison.findings.push_back({Severity::doubt, "compare", "", comparison.verdict,
                                   "Use the new calibration for images shot from now on, and look "
                                   "for what came loose."});
  }
  return comparison;
}

}  // namespace trunnion::compare_calibrations
