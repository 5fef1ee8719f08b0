#include "core/pose.h"

#include <algorithm>
#include <cmath>

namespace trunnion {

Eigen::Vector4d quaternion_wxyz(const Eigen::Matrix3d& R) {
  Eigen::Quaterniond q(R);
  q.normalize();
  Eigen::Vector4d wxyz(q.w(), q.x(), q.y(), q.z());
  if (wxyz[0] < 0.0) wxyz = -wxyz;
  return wxyz;
}

Eigen::Matrix3d rotation_about(const Eigen::Vector3d& axis, double angle) {
  return Eigen::AngleAxisd(angle, axis).toRotationMatrix();
}

Eigen::Matrix3d cross_matrix(const Eigen::Vector3d& v) {
  Eigen::Matrix3d m;
  m << 0.0, -v.z(), v.y(), v.z(), 0.0, -v.x(), -v.y(), v.x(), 0.0;
  return m;
}

double rotation_angle_between(const Eigen::Matrix3d& a, const Eigen::Matrix3d& b) {
  // asin of half the Frobenius distance keeps its digits at small angles, where acos loses them.
  const double half_chord = std::min(1.0, (a - b).norm() / (2.0 * std::sqrt(2.0)));
  return 2.0 * std::asin(half_chord);
}

}  // namespace trunnion
