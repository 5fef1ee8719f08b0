#include "core/silhouette_hull.h"

#include <Eigen/Geometry>
#include <Eigen/LU>
#include <Eigen/SVD>
#include <algorithm>
#include <cmath>
#include <cstdint>
#include <opencv2/imgproc.hpp>

namespace trunnion {
namespace {

struct Ray {
  Eigen::Vector3d point;
  Eigen::Vector3d direction;  // unit
};

struct Eye {
  Eigen::Matrix<double, 4, 3> back;  // a world point on the ray of a pixel
  Eigen::Vector4d centre;            // homogeneous; at infinity for telecentric cameras
  Projection34 pixel_from_world;
  cv::Mat lenient;  // 255 where a point may project
  int pixels = 0;

  [[nodiscard]] Ray ray(double u, double v) const {
    const Eigen::Vector4d on = back * Eigen::Vector3d(u, v, 1.0);
    const double scale = centre.head<3>().norm();
    if (std::abs(centre.w()) < 1e-12 * scale) {
      return {on.head<3>() / on.w(), centre.head<3>() / scale};
    }
    const Eigen::Vector3d eye = centre.head<3>() / centre.w();
    return {eye, (on.head<3>() - on.w() * eye).normalized()};
  }
};

Eye eye_of(const HullView& view, double tolerance_px) {
  Eye eye;
  eye.pixel_from_world = view.pixel_from_world;
  const Eigen::JacobiSVD<Eigen::Matrix<double, 3, 4>> svd(
      view.pixel_from_world, Eigen::ComputeFullU | Eigen::ComputeFullV);
  eye.centre = svd.matrixV().col(3);
  eye.back = view.pixel_from_world.transpose() *
             (view.pixel_from_world * view.pixel_from_world.transpose()).inverse();
  const int reach = static_cast<int>(std::lround(tolerance_px));
  eye.lenient = view.silhouette > 127;
  eye.pixels = cv::countNonZero(eye.lenient);
  if (reach > 0) {
    cv::dilate(eye.lenient, eye.lenient,
               cv::getStructuringElement(cv::MORPH_ELLIPSE, {2 * reach + 1, 2 * reach + 1}));
  }
  return eye;
}

struct Sphere {
  Eigen::Vector3d centre = Eigen::Vector3d::Zero();
  double radius = 0;
};

double distance_to(const Ray& ray, const Eigen::Vector3d& point) {
  return (point - ray.point).cross(ray.direction).norm();
}

// Holds whatever projects into the silhouettes: around the point nearest to the rays of their
// middles, as far as the farthest ray of their boxes passes.
Sphere sphere_of(const std::vector<HullView>& views, const std::vector<Eye>& eyes) {
  Eigen::Matrix3d normal = Eigen::Matrix3d::Zero();
  Eigen::Vector3d right = Eigen::Vector3d::Zero();
  std::vector<cv::Rect> boxes;
  for (std::size_t k = 0; k < eyes.size(); ++k) {
    const cv::Rect box = cv::boundingRect(views[k].silhouette > 127);
    boxes.push_back(box);
    if (box.empty()) continue;
    const Ray ray = eyes[k].ray(box.x + 0.5 * box.width, box.y + 0.5 * box.height);
    const Eigen::Matrix3d across =
        Eigen::Matrix3d::Identity() - ray.direction * ray.direction.transpose();
    normal += across;
    right += across * ray.point;
  }
  Sphere sphere;
  sphere.centre = normal.fullPivLu().solve(right);
  for (std::size_t k = 0; k < eyes.size(); ++k) {
    const cv::Rect& box = boxes[k];
    if (box.empty()) continue;
    for (const int u : {box.x, box.x + box.width}) {
      for (const int v : {box.y, box.y + box.height}) {
        sphere.radius = std::max(sphere.radius, distance_to(eyes[k].ray(u, v), sphere.centre));
      }
    }
  }
  return sphere;
}

// Does `eye` admit the homogeneous pixel? What lies outside its image is unknown and admitted.
bool admits(const Eye& eye, const Eigen::Vector3d& pixel) {
  const double u = pixel.x() / pixel.z();
  const double v = pixel.y() / pixel.z();
  if (!(u > -0.5 && v > -0.5 && u < eye.lenient.cols - 0.5 && v < eye.lenient.rows - 0.5)) {
    return true;
  }
  return eye.lenient.ptr<std::uint8_t>(static_cast<int>(v + 0.5))[static_cast<int>(u + 0.5)] != 0;
}

// What the rays are followed through.
struct Hull {
  std::vector<Eye> eyes;
  Sphere sphere;
  int samples = 16;  // across the sphere
};

struct Verdict {
  bool met = false;
  std::size_t blamed = 0;  // a view
};

struct Witness {
  std::size_t view = 0;
  Eigen::Vector3d start;  // pixel of the ray's point and per unit of its length
  Eigen::Vector3d step;
};

Verdict follow(const Hull& hull, const Ray& ray, std::size_t own,
               const std::vector<std::size_t>& others, std::vector<Witness>& witnesses) {
  const auto& [eyes, sphere, samples] = hull;
  const double middle = (sphere.centre - ray.point).dot(ray.direction);
  const double off = distance_to(ray, sphere.centre);
  Verdict verdict{false, own};
  if (off >= sphere.radius) return verdict;
  const double half = std::sqrt(sphere.radius * sphere.radius - off * off);
  witnesses.clear();
  for (const std::size_t other : others) {
    const Projection34& P = eyes[other].pixel_from_world;
    witnesses.push_back({other, P * ray.point.homogeneous(), P.leftCols<3>() * ray.direction});
  }
  const double step = 2.0 * sphere.radius / samples;
  // The view that excluded the last point probably excludes the next one too: test it first.
  for (double t = middle - half; t <= middle + half; t += step) {
    int vetoes = 0;
    std::size_t who = own;
    for (std::size_t k = 0; k < witnesses.size() && vetoes < 2; ++k) {
      const Witness& witness = witnesses[k];
      if (admits(eyes[witness.view], witness.start + t * witness.step)) continue;
      ++vetoes;
      who = witness.view;
      if (k > 1) std::swap(witnesses[k], witnesses[static_cast<std::size_t>(vetoes - 1)]);
    }
    if (vetoes == 0) return {true, own};
    if (vetoes == 1 && verdict.blamed == own) verdict.blamed = who;
  }
  return verdict;
}

}  // namespace

std::vector<HullAgreement> hull_agreement(const std::vector<HullView>& views,
                                          const HullOptions& options) {
  std::vector<HullAgreement> result(views.size());
  if (views.size() < 3) return result;
  Hull hull;
  for (const HullView& view : views) {
    hull.eyes.push_back(eye_of(view, options.tolerance_px));
    hull.samples = std::max({hull.samples, view.silhouette.cols, view.silhouette.rows});
  }
  hull.sphere = sphere_of(views, hull.eyes);
  std::vector<double> contradicted(views.size(), 0);
  std::vector<double> tested(views.size(), 0);
  std::vector<Witness> witnesses;
  for (std::size_t own = 0; own < views.size(); ++own) {
    std::vector<std::size_t> others;
    const std::size_t count = std::min(options.witnesses, views.size() - 1);
    for (std::size_t k = 0; k < count; ++k) {
      others.push_back((own + 1 + k * (views.size() - 1) / count) % views.size());
    }
    double met = 0;
    double excess = 0;
    const cv::Mat& silhouette = views[own].silhouette;
    for (int v = 0; v < silhouette.rows; v += options.stride_px) {
      for (int u = 0; u < silhouette.cols; u += options.stride_px) {
        if (silhouette.at<std::uint8_t>(v, u) <= 127) continue;
        tested[own] += 1;
        const Verdict verdict = follow(hull, hull.eyes[own].ray(u, v), own, others, witnesses);
        if (verdict.met) {
          met += 1;
        } else if (verdict.blamed == own) {
          excess += 1;
        } else {
          contradicted[verdict.blamed] += 1;
        }
      }
    }
    if (tested[own] > 0) {
      result[own].agreement = met / tested[own];
      result[own].excess = excess / tested[own];
    }
  }
  for (std::size_t k = 0; k < views.size(); ++k) {
    // An empty silhouette excludes everything.
    result[k].missing =
        tested[k] > 0 ? contradicted[k] / tested[k] : (contradicted[k] > 0 ? 1.0 : 0.0);
  }
  return result;
}

}  // namespace trunnion
