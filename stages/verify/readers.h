// Readers of the exported formats for verify: each takes what its file says and nothing else.
// They throw data errors that name the file.
#pragma once

#include <string>
#include <vector>

#include "core/camera.h"
#include "core/pose.h"
#include "core/scene.h"

namespace trunnion::verify {

// The set as given by cameras.json; tie points are only counted there.
Scene read_cameras_json(const std::string& text);

struct ReadView {
  std::string image;  // as the file names it
  Pose pose;
};

struct ReadSet {
  Camera camera;  // as far as the format can say it
  std::vector<ReadView> views;
  std::vector<Eigen::Vector3d> points;  // tie points, mm; glTF only
};

ReadSet read_exterior_csv(const std::string& text);
ReadSet read_matrix_csv(const std::string& text);
ReadSet read_quaternion_csv(const std::string& text);
ReadSet read_gltf(const std::string& text);
std::vector<Eigen::Vector3d> read_ply_points(const std::string& text);
// `prefix` is empty for the written images' camera, "source_" for that of the fused ones.
Camera read_camera_yml(const std::string& text, const std::string& prefix);

struct ReadDistance {
  std::string from;
  std::string to;
  double distance_mm = 0;
};
std::vector<ReadDistance> read_scale_csv(const std::string& text);

}  // namespace trunnion::verify
