// Projection matrices: pixel ~ P (X, Y, Z, 1), homogeneous, of any kind of camera, free of lens
// distortion. World in mm.
#pragma once

#include <Eigen/Core>

#include "core/camera.h"
#include "core/pose.h"

namespace trunnion {

using Projection34 = Eigen::Matrix<double, 3, 4>;

// Of the camera without its distortion; `pose`: camera_from_world.
// Source: Hartley and Zisserman, "Multiple View Geometry", 2nd edition, sections 6.1 and 6.3.
Projection34 projection_matrix(const Camera& camera, const Pose& pose);

// x_b^T F x_a = 0 for homogeneous pixels, of norm 1.
// Source: Hartley and Zisserman, "Multiple View Geometry", 2nd edition, section 17.1.
Eigen::Matrix3d fundamental_matrix(const Projection34& a, const Projection34& b);

}  // namespace trunnion
