// Bodies of other kinds than the demo's beetle, of the demo's solids: what masks are tuned and
// judged on (mask_sets.h).
#pragma once

#include <vector>

#include "datasets/specimen_model.h"
#include "tests/support/mask_sets.h"

namespace trunnion::test {

struct BodyMaterial {
  Eigen::Vector3d albedo = Eigen::Vector3d::Constant(0.4);  // BGR
  double mottle = 0.5;                                      // depth of the pattern
  double gloss = 0.1;
  double roughness = 0.3;
  double transmission = 0;
};

struct BodyParts {
  std::vector<demo::Solid> solids;
  std::vector<BodyMaterial> materials;  // one a solid
};

// `pixel_mm`: size of a pixel at the axis; hairs are 0.25 to 2.6 of these wide.
BodyParts body_parts(const MaskBody& body, double pixel_mm);

class BodyModel : public demo::SpecimenModel {
 public:
  BodyModel(const MaskBody& body, double pixel_mm)
      : BodyModel(body.seed, pixel_mm, body_parts(body, pixel_mm)) {}
  [[nodiscard]] demo::Surface surface_at(const demo::Hit& hit,
                                         const Eigen::Vector3d& point) const override;

 private:
  BodyModel(std::uint64_t seed, double pixel_mm, BodyParts parts)
      : SpecimenModel({.seed = seed, .object_pixel_mm = pixel_mm, .bristles = 0}, parts.solids),
        materials_(std::move(parts.materials)) {}
  std::vector<BodyMaterial> materials_;
};

}  // namespace trunnion::test
