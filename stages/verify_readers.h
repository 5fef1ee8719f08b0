// Readers of the exported formats for verify: each takes what its file says and nothing else.
// They throw data errors that name the file.
#pragma once

#include <string>
#include <vector>

#include "core/camera.h"
#include "core/pose.h"

namespace trunnion {

struct ReadView {
  std::string image;  // as the file names it
  std::string mask;
  Pose pose;
};

struct ReadSet {
  Camera camera;
  std::vector<ReadView> views;
  std::size_t tie_points = 0;
};

ReadSet read_cameras_json(const std::string& text);
// These know the camera only as far as the format says it.
std::vector<ReadView> read_exterior_csv(const std::string& text);
std::vector<ReadView> read_matrix_csv(const std::string& text);
std::vector<ReadView> read_quaternion_csv(const std::string& text);
ReadSet read_gltf(const std::string& text);
std::vector<Eigen::Vector3d> read_ply_points(const std::string& text);
Camera read_camera_yml(const std::string& text);

struct ReadDistance {
  std::string from;
  std::string to;
  double distance_mm = 0;
};
std::vector<ReadDistance> read_scale_csv(const std::string& text);

}  // namespace trunnion
