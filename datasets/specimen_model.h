// The invented specimen: a beetle-like thing about 8 mm long on a pin, head up along the rotation
// axis. World frame as in core/turntable.h: origin on the axis, +Z up along it, mm.
//
// It has what makes real specimens hard: matte mottled wing cases, a glossy shield whose highlights
// stay with the lamps, a bored cavity, an antenna curled into a closed loop (a true hole), legs,
// and fine bristles, thinner than two pixels, that stand off the outline.
#pragma once

#include <cstdint>
#include <vector>

#include "datasets/solid.h"

namespace trunnion::demo {

// The beetle-like thing is the demo. The others are hard or easy for poses: a shell of pale,
// smooth, glossy whorls, on which nearly all that can be seen is light that does not turn with it;
// a pebble with the wing cases' mottled, matte surface and no limbs.
enum class Body : std::uint8_t { beetle, shell, pebble };

struct SpecimenOptions {
  Body body = Body::beetle;
  std::uint64_t seed = 1;
  double object_pixel_mm = 0.028;  // bristles are made 0.9 to 1.7 of these wide
  int bristles = 110;
};

// Colour of the surface and how it answers light; BGR in [0, 1].
struct Surface {
  Eigen::Vector3d albedo = Eigen::Vector3d::Zero();
  Eigen::Vector3d normal = Eigen::Vector3d::UnitZ();  // with the relief of the texture
  double gloss = 0;                                   // share of mirror-like reflection
  double roughness = 1;                               // radius of the highlight (rad)
  double transmission = 0;  // share of the light behind that a membrane passes
};

class SpecimenModel {
 public:
  explicit SpecimenModel(const SpecimenOptions& options);
  SpecimenModel(const SpecimenModel&) = default;
  SpecimenModel(SpecimenModel&&) = default;
  SpecimenModel& operator=(const SpecimenModel&) = default;
  SpecimenModel& operator=(SpecimenModel&&) = default;
  virtual ~SpecimenModel() = default;

  [[nodiscard]] const std::vector<Solid>& solids() const { return solids_; }
  [[nodiscard]] const SolidTree& tree() const { return tree_; }
  [[nodiscard]] const SpecimenOptions& options() const { return options_; }

  [[nodiscard]] virtual Surface surface_at(const Hit& hit, const Eigen::Vector3d& point) const;
  // Share of the sky that a surface point sees, in [0, 1], from a table made once.
  [[nodiscard]] double openness_at(const Hit& hit, const Eigen::Vector3d& point) const;

 protected:
  // Another body of the same solids, which gives its own surfaces (tests/support/mask_bodies.h).
  SpecimenModel(const SpecimenOptions& options, std::vector<Solid> solids);

 private:
  struct OpennessTable {  // latitude x longitude of the unit sphere of an ellipsoid or its cavity
    std::vector<float> values;
  };
  void build_body();
  void build_shell();
  void build_pin();
  void build_limbs();
  void build_antennae();
  void build_bristles();
  void bake_openness();
  [[nodiscard]] double openness_by_rays(const SolidTree& tree, const Eigen::Vector3d& point,
                                        const Eigen::Vector3d& normal) const;

  SpecimenOptions options_;
  std::vector<Solid> solids_;
  SolidTree tree_;
  std::vector<OpennessTable> tables_;  // two a solid: outside, cavity; empty where not made
  std::vector<std::array<float, 2>> limb_openness_;  // at both ends of a round cone
  int octaves_ = 4;
};

}  // namespace trunnion::demo
