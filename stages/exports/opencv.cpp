#include <algorithm>
#include <opencv2/core.hpp>

#include "stages/exports/exports.h"

namespace trunnion::exports {
namespace {

void write_camera(cv::FileStorage& file, const std::string& prefix, const Camera& camera) {
  const cv::Matx33d matrix(camera.fx, 0, camera.cx, 0, camera.fy, camera.cy, 0, 0, 1);
  cv::Mat distortion(1, 5, CV_64F);
  std::copy(camera.distortion.begin(), camera.distortion.end(), distortion.begin<double>());
  file << prefix + "image_width" << camera.width_px;
  file << prefix + "image_height" << camera.height_px;
  // A name of its own, so that nobody takes px per mm for a focal length.
  const bool perspective = camera.projection == Projection::perspective;
  file << prefix + (perspective ? "camera_matrix" : "telecentric_matrix") << cv::Mat(matrix);
  file << prefix + "distortion_coefficients" << distortion;
}

}  // namespace

std::string camera_yml(const Scene& scene) {
  cv::FileStorage file(".yml", cv::FileStorage::WRITE | cv::FileStorage::MEMORY);
  file.writeComment("Camera of the written images; pixel (0, 0) is the centre of the top-left one");
  file << "projection"
       << (scene.camera.projection == Projection::perspective ? "perspective" : "telecentric");
  write_camera(file, "", scene.camera);
  file << "pixel_pitch_um" << scene.pixel_pitch_um;
  file.writeComment("Camera of the fused images, order of the coefficients k1 k2 p1 p2 k3");
  write_camera(file, "source_", scene.source_camera);
  return file.releaseAndGetString();
}

}  // namespace trunnion::exports
