// Export: the posed set in open formats, each complete in itself, in the folder prepared/.
//
//   cameras.json         everything, as described by docs/cameras.schema.json
//   exterior.csv         X, Y, Z, omega, phi, kappa and sigmas (core/rotation.h)
//   poses_matrix.csv     camera_from_world, 3 x 4, row by row
//   poses_quaternion.csv camera_from_world as w, x, y, z and t
//   cameras.gltf         glTF 2.0: cameras, thumbnails on frustum planes, tie points
//   camera.yml           OpenCV FileStorage
//   centres.ply          projection centres; tie_points.ply where there are any
//   scale.csv            known distances between stations, mm, with sigma
//   and the user's templates (stages/export_templates.h)
// Units, frames and pixel origin are named in every file; docs/formats.md has worked examples.
// Numbers are the shortest text that reads back to the same double.
#pragma once

#include <functional>
#include <string>
#include <vector>

#include "config/settings.h"
#include "core/files.h"
#include "core/finding.h"
#include "core/scene.h"

namespace trunnion {

struct ExportResult {
  std::vector<fs::path> files;  // written, relative to prepared/, in the order above
  Findings findings;            // what a format cannot say about this set
};

// A small JPEG of view i, upright, of the written image's aspect; empty where there is none.
using ThumbnailReader = std::function<std::string(std::size_t)>;

ExportResult export_scene(const Scene& scene, const fs::path& prepared,
                          const ThumbnailReader& thumbnail, const OutputSettings& settings);

// Each format as text; export_scene writes them.
std::string cameras_json(const Scene& scene);
std::string exterior_csv(const Scene& scene);
std::string poses_matrix_csv(const Scene& scene);
std::string poses_quaternion_csv(const Scene& scene);
std::string cameras_gltf(const Scene& scene, const ThumbnailReader& thumbnail);
std::string camera_yml(const Scene& scene);
std::string centres_ply(const Scene& scene);
std::string tie_points_ply(const Scene& scene);
std::string scale_csv(const Scene& scene);

}  // namespace trunnion
