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
//   and the user's templates (stages/exports/exports.h)
// Units, frames and pixel origin are named in every file; docs/formats.md has worked examples.
// Numbers are the shortest text that reads back to the same double.
#pragma once

#include <functional>
#include <string>
#include <utility>
#include <vector>

#include "config/review.h"
#include "config/settings.h"
#include "core/files.h"
#include "core/finding.h"
#include "core/scene.h"

namespace trunnion::exports {

struct ExportResult {
  std::vector<fs::path> files;  // written, relative to prepared/, in the order above
  Findings findings;            // what a format cannot say about this set
};

// A small JPEG of view i, upright, of the written image's aspect; empty where there is none.
using ThumbnailReader = std::function<std::string(std::size_t)>;

ExportResult export_scene(const Scene& scene, const fs::path& prepared,
                          const ThumbnailReader& thumbnail, const OutputSettings& settings,
                          const Review& review = {});

// Each format as text; export_scene writes them.
// The first two also say what a person decided: as "review", and as comments.
std::string cameras_json(const Scene& scene, const Review& review = {});
std::string exterior_csv(const Scene& scene, const Review& review = {});
std::string poses_matrix_csv(const Scene& scene);
std::string poses_quaternion_csv(const Scene& scene);
std::string cameras_gltf(const Scene& scene, const ThumbnailReader& thumbnail);
std::string camera_yml(const Scene& scene);
std::string centres_ply(const Scene& scene);
std::string tie_points_ply(const Scene& scene);
std::string scale_csv(const Scene& scene);

// Text formats of the user's own, from mustache templates (mustache(5), an open template language
// without logic; http://mustache.github.io). docs/formats.md lists the fields.
//
// All fields are converted first, by the template's settings:
//   frame   with S = diag(sx, sy, sz), sy = -1 where y is up, sz = -1 where the camera looks along
//           -z, sx = sy sz (so the frame stays right-handed): R' = S R, t' = S t. A point is seen
//           at u = cx + sx fx x' / (sz z'),  v = cy + sy fy y' / (sz z')
//   pixels  with the corner as origin cx and cy grow by 0.5
//   length  t, centres and their sigmas; telecentric scales inversely
//   angle   stage angles, omega, phi, kappa and their sigmas
// Values are escaped by the extension of the file written: .xml and .html as XML, .json as JSON
// strings, others not at all. A field that does not exist is an error, not an empty text.

// Whether the template prints pose_state. One that doesn't can't mark a contradicted pose, so such
// views are left out of what it gives.
bool template_marks_state(const TemplateSettings& settings);

// Pairs of file name (relative to prepared/) and content.
using TextFiles = std::vector<std::pair<std::string, std::string>>;

// Throws a data error that names the template and the mistake.
TextFiles render_template(const Scene& scene, const TemplateSettings& settings);

// The same from the template's text; `name` stands for it in errors.
TextFiles render_template_text(const Scene& scene, const TemplateSettings& settings,
                               const std::string& text, const std::string& name);

}  // namespace trunnion::exports
