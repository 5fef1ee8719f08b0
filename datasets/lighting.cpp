// Light of the demo: a diffusing dome and three large lamps that stand still in the laboratory, so
// that highlights stay with the lamps while the specimen turns; and the backdrop behind it.
#include <algorithm>
#include <array>
#include <cmath>

#include "datasets/random.h"
#include "datasets/render.h"
#include "datasets/smooth_step.h"

namespace trunnion::demo {
namespace {

using Eigen::Vector3d;

struct Lamp {
  Vector3d direction;  // towards the lamp, stage frame: camera on the +X side, +Z up
  double strength;
  double size;  // radius of the diffuser as seen from the specimen (rad)
};
const std::array<Lamp, 3>& lamps() {
  static const std::array<Lamp, 3> all{
      Lamp{Vector3d(0.62, 0.62, 0.58).normalized(), 0.52, 0.30},
      Lamp{Vector3d(0.55, -0.80, 0.30).normalized(), 0.26, 0.36},
      Lamp{Vector3d(-0.55, 0.15, 0.80).normalized(), 0.24, 0.28},
  };
  return all;
}

double sky(const Vector3d& direction) {
  return 0.44 + 0.16 * direction.z();
}

}  // namespace

Vector3d shade(const Surface& surface, const Vector3d& normal, const Vector3d& to_eye,
               double openness) {
  double diffuse = sky(normal) * openness;
  const Vector3d mirrored = 2.0 * normal.dot(to_eye) * normal - to_eye;
  double highlight = 0.30 * sky(mirrored) * openness;
  for (const Lamp& lamp : lamps()) {
    // A wide lamp reaches past the terminator (wrapped cosine).
    const double facing = std::max(0.0, (normal.dot(lamp.direction) + 0.25) / 1.25);
    diffuse += lamp.strength * facing * (0.35 + 0.65 * openness) * std::min(1.0, 1.6 * openness);
    const double apart = std::acos(std::clamp(mirrored.dot(lamp.direction), -1.0, 1.0));
    const double blur = surface.roughness;
    highlight += 2.6 * lamp.strength * (lamp.size / (lamp.size + blur)) *
                 (1.0 - smooth_step(lamp.size - blur, lamp.size + blur, apart)) * openness;
  }
  const double cosine = std::clamp(normal.dot(to_eye), 0.0, 1.0);
  const double edge = std::pow(1.0 - cosine, 4.0);
  const double mirror = surface.gloss * (0.32 + 0.5 * edge);
  return surface.albedo * diffuse * (1.0 - 0.5 * mirror) + Vector3d::Constant(highlight * mirror);
}

double backdrop_cloud(const Backdrop& backdrop, const Camera& camera,
                      const Eigen::Vector2d& pixel) {
  const double x = (pixel.x() - 0.5 * (camera.width_px - 1)) / camera.height_px;
  const double y = (pixel.y() - 0.5 * (camera.height_px - 1)) / camera.height_px;
  return fractal_noise({2.1 * x, 2.1 * y, 0.37}, backdrop.seed * 77 + 5, 2, 0.4).value;
}

Vector3d backdrop_colour(const Backdrop& backdrop, const Camera& camera,
                         const Eigen::Vector2d& pixel, double cloud) {
  const double x = (pixel.x() - 0.5 * (camera.width_px - 1)) / camera.height_px;
  const double y = (pixel.y() - 0.5 * (camera.height_px - 1)) / camera.height_px;
  // Brighter towards one side and below the middle, cloudy on a large scale.
  const double uneven = 1.0 + 0.16 * x - 0.20 * y - 0.22 * (x * x + y * y) + 0.07 * cloud;
  Vector3d colour;
  switch (backdrop.shade) {
    case BackdropShade::black:
      colour = Vector3d(0.066, 0.062, 0.060);
      break;
    case BackdropShade::grey:
      colour = Vector3d(0.47, 0.475, 0.47);
      break;
    case BackdropShade::white:
      colour = Vector3d(0.86, 0.875, 0.88);
      break;
    case BackdropShade::blue:
      colour = Vector3d(0.62, 0.30, 0.16);
      break;
    case BackdropShade::green:
      colour = Vector3d(0.25, 0.55, 0.16);
      break;
  }
  if (backdrop.shade == BackdropShade::black) {
    colour *= 1.0 + 2.0 * (uneven - 1.0);
  } else {
    colour *= 1.0 + 0.55 * (uneven - 1.0);
  }
  colour *= std::max(0.1, 1.0 + backdrop.gradient * x);
  if (backdrop.stage_edge) {
    // The rim of the stage: a soft dark (on black: light) strip, a little slanted.
    const double inside = smooth_step(-0.012, 0.012, y - 0.445 + 0.02 * x);
    const double rim = backdrop.shade == BackdropShade::black ? 0.24 : 0.20;
    colour += (Vector3d::Constant(rim * (1.0 + 0.2 * x)) - colour) * inside;
  }
  return colour;
}

}  // namespace trunnion::demo
