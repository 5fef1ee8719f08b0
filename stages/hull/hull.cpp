#include "stages/hull/hull.h"

#include <tbb/parallel_for.h>

#include <algorithm>
#include <cmath>

#include "stages/hull/carve.h"
#include "stages/hull/measure.h"
#include "stages/hull/mesh.h"

namespace trunnion::hull {
namespace {

// Of the grid that tells how many triangles a finer one will make.
constexpr double kTrial = 4.0;

std::vector<Field> fields_of(const std::vector<HullView>& views, const MaskReader& mask,
                             const HullOptions& options) {
  std::vector<Field> fields(views.size());
  tbb::parallel_for(std::size_t{0}, views.size(),
                    [&](std::size_t k) { fields[k] = make_field(views[k], mask(k), options); });
  return fields;
}

double pixel_mm(const std::vector<Field>& fields, const Eigen::Vector3d& at) {
  double sum = 0;
  for (const Field& field : fields) sum += 1.0 / field.scale_at(at);
  return sum / static_cast<double>(fields.size());
}

// As fine as the masks, or as the triangles allow.
double voxel_for(const std::vector<Field>& fields, const Ball& ball, double pixel,
                 const HullOptions& options) {
  const double finest = options.finest_voxel_px * pixel;
  const double trial = kTrial * finest;
  const auto count = static_cast<double>(count_triangles(carve(fields, ball, trial)));
  const double share = count / static_cast<double>(options.most_triangles);
  return std::max(finest, 1.05 * trial * std::sqrt(share));
}

Finding no_hull(const std::string& why) {
  return {Severity::doubt, "hull", "", "The visual hull is empty: " + why,
          "Look at the masks and the camera poses in the report."};
}

}  // namespace

Hull build_hull(const std::vector<HullView>& views, const MaskReader& mask,
                const HullOptions& options) {
  Hull hull;
  hull.views.resize(views.size());
  std::vector<Field> fields = fields_of(views, mask, options);
  std::vector<Field> shaping;
  for (std::size_t k = 0; k < fields.size(); ++k) {
    hull.views[k].cut = fields[k].cut;
    if (!fields[k].box.empty()) shaping.push_back(fields[k]);
  }
  if (shaping.size() < 3) {
    hull.findings.push_back(no_hull("fewer than three views show a specimen."));
    return hull;
  }
  const Ball ball = ball_of(shaping);
  const double pixel = pixel_mm(shaping, ball.centre);
  hull.voxel_mm = voxel_for(shaping, ball, pixel, options);
  hull.mesh = mesh_of(carve(shaping, ball, hull.voxel_mm));
  while (hull.mesh.triangles.size() > options.most_triangles) {
    hull.voxel_mm *= 1.1;
    hull.mesh = mesh_of(carve(shaping, ball, hull.voxel_mm));
  }
  if (hull.mesh.triangles.empty()) {
    hull.findings.push_back(no_hull("the silhouettes share no point."));
    return hull;
  }
  agree(fields, ball, hull);
  hull.measures.pixel_mm = pixel;
  measure(views, fields, hull);
  add_findings(views, hull);
  return hull;
}

}  // namespace trunnion::hull
