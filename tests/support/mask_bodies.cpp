#include "tests/support/mask_bodies.h"

#include <Eigen/Geometry>
#include <algorithm>
#include <cmath>

#include "core/angle.h"
#include "core/pose.h"
#include "datasets/random.h"
#include "tests/support/body_builder.h"

namespace trunnion::test {
namespace {

using demo::Draws;
using demo::Part;
using demo::Solid;
using Eigen::Matrix3d;
using Eigen::Vector3d;

// A nearly round pod, thorns and a dense coat of hair: gaps between the hairs lie close to a body
// whose radius hardly changes as it turns.
void build_pod(BodyBuilder& b, bool second) {
  const BodyMaterial rind{second ? bgr(0.46, 0.28, 0.16) : bgr(0.32, 0.38, 0.16), 0.9, 0.05, 0.5};
  const BodyMaterial hair{second ? bgr(0.62, 0.50, 0.36) : bgr(0.55, 0.46, 0.22), 0.1, 0.0, 1.0};
  const Vector3d radii = second ? Vector3d(1.6, 1.7, 2.2) : Vector3d(1.75, 1.75, 1.95);
  b.add(demo::ellipsoid(Part::body, {0, 0, 0}, radii), rind);
  for (int i = 0; i < (second ? 36 : 26); ++i) {
    const Vector3d out = b.direction();
    const Vector3d root = 0.95 * radii.cwiseProduct(out);
    b.add(demo::round_cone(Part::leg, root, 0.10, root + b.draws.uniform(0.5, 1.0) * out, 0.012),
          rind);
  }
  for (int i = 0; i < (second ? 1500 : 1100); ++i) {
    const Vector3d out = b.direction();
    if (out.z() < -0.9) continue;
    b.hair(0.98 * radii.cwiseProduct(out), out, b.draws.uniform(0.35, second ? 0.8 : 0.95),
           b.hair_width(), hair);
  }
  b.pin(-radii.z(), 0.15);
}

void build_wing(BodyBuilder& b, double side, const BodyMaterial& membrane,
                const BodyMaterial& vein) {
  // Stands off the thorax backwards and outwards; local x along, y across, z its normal.
  Matrix3d frame;
  frame.col(0) = Vector3d(0.25, side * 0.72, -0.65).normalized();
  frame.col(2) = frame.col(0).cross(Vector3d(1, 0, 0.1)).normalized();
  frame.col(1) = frame.col(2).cross(frame.col(0));
  const double length = b.draws.uniform(1.75, 2.0);
  const Vector3d root(0.35, side * 0.5, 0.75);
  const Vector3d centre = root + length * frame.col(0);
  const Vector3d radii(length, 0.85, 0.012);
  Matrix3d turned = frame;
  b.add(demo::ellipsoid(Part::leg, centre, radii, turned), membrane);
  const auto at = [&](double along, double across) {
    const double reach = std::sqrt(std::max(0.0, 1.0 - along * along));
    return Vector3d(centre + frame * Vector3d(length * along, radii.y() * reach * across, 0.0));
  };
  for (const double across : {-0.97, -0.55, -0.1, 0.3, 0.7}) {
    std::vector<Vector3d> points{root};
    for (int i = 1; i <= 8; ++i) points.push_back(at(-1.0 + 0.24 * i, across));
    b.line(Part::leg, points, 0.035, 0.014, vein);
  }
}

void build_fly(BodyBuilder& b, bool second) {
  const BodyMaterial cuticle{second ? bgr(0.15, 0.22, 0.30) : bgr(0.30, 0.22, 0.12), 0.8, 0.4, 0.2};
  const BodyMaterial eye{second ? bgr(0.10, 0.30, 0.12) : bgr(0.42, 0.10, 0.08), 0.3, 0.8, 0.1};
  const BodyMaterial membrane{bgr(0.55, 0.52, 0.44), 0.1, 0.15, 0.4, second ? 0.70 : 0.62};
  const BodyMaterial vein{bgr(0.26, 0.17, 0.10), 0.1, 0.0, 1.0};
  b.add(demo::ellipsoid(Part::body, {0, 0, -0.7}, {0.85, 0.95, 1.5}), cuticle);
  b.add(demo::ellipsoid(Part::pronotum, {0, 0, 1.0}, {0.85, 0.85, 0.85}), cuticle);
  b.add(demo::ellipsoid(Part::head, {-0.1, 0, 2.05}, {0.5, 0.6, 0.45}), cuticle);
  for (const double side : {-1.0, 1.0}) {
    b.add(demo::ellipsoid(Part::eye, {-0.12, side * 0.48, 2.15}, {0.34, 0.3, 0.38}), eye);
    build_wing(b, side, membrane, vein);
    for (const double z : {1.3, 0.8, 0.3}) {
      const Vector3d hip(-0.5, side * 0.6, z);
      const Vector3d knee = hip + Vector3d(-0.7, side * b.draws.uniform(0.5, 0.9), z - 0.6);
      const Vector3d ankle = knee + Vector3d(-0.2, side * 0.5, -1.1);
      b.line(Part::leg, {hip, knee, ankle, ankle + Vector3d(-0.15, side * 0.3, -0.5)}, 0.11, 0.03,
             cuticle);
    }
    b.line(Part::antenna, {{-0.4, side * 0.2, 2.35}, {-0.8, side * 0.3, 2.5}}, 0.05, 0.04, cuticle);
    b.hair({-0.8, side * 0.3, 2.5}, Vector3d(-0.4, side * 0.6, 0.6), 0.6, 1.1, vein);
  }
  for (int i = 0; i < (second ? 160 : 110); ++i) {
    const Vector3d out = b.direction();
    const bool abdomen = i % 2 == 0;
    const Vector3d root =
        abdomen ? Vector3d(Vector3d(0, 0, -0.7) + Vector3d(0.85, 0.95, 1.5).cwiseProduct(out))
                : Vector3d(Vector3d(0, 0, 1.0) + 0.85 * out);
    b.hair(root, out, b.draws.uniform(0.25, 0.6), 0.4 + b.hair_width(), vein);
  }
  b.pin(-2.1, 0.10);
}

// A pale, glossy, globose shell with an open aperture, a little off the axis and out of round: what
// looks the same from all sides can't be distinguished from a backdrop.
void build_shell(BodyBuilder& b, bool second) {
  const BodyMaterial gloss{second ? bgr(0.84, 0.80, 0.74) : bgr(0.80, 0.74, 0.66), 0.12, 0.9, 0.08};
  const double r = second ? 1.75 : 1.95;
  const Vector3d centre(0.16, -0.1, -0.5);
  const Matrix3d tilt = rotation_about(Vector3d::UnitY(), radians(second ? 40.0 : 25.0));
  const Solid whorl = demo::ellipsoid(Part::body, centre, {r, 0.92 * r, 0.9 * r});
  b.add(demo::carved(whorl, centre + Vector3d(0.75 * r, 0.35 * r, -0.45 * r),
                     {0.65 * r, 0.42 * r, 0.75 * r}, tilt),
        gloss);
  double size = 0.72 * r;
  double z = centre.z() + 0.55 * r;
  for (int i = 0; i < 4; ++i) {
    b.add(
        demo::ellipsoid(Part::pronotum, {0.10 * i, -0.07 * i, z}, {size, 0.95 * size, 0.72 * size}),
        gloss);
    z += 0.62 * size;
    size *= 0.68;
  }
  if (second) {  // the lip of the aperture
    std::vector<Vector3d> lip;
    for (int i = 0; i <= 14; ++i) {
      const double turn = kPi * (0.15 + 1.1 * i / 14.0);
      lip.emplace_back(0.95 * r + 0.25 * std::cos(turn), 0.35 * r + 0.75 * std::sin(turn) - 0.4,
                       centre.z() - 0.5 * r + 0.9 * std::cos(turn));
    }
    b.line(Part::leg, lip, 0.10, 0.07, gloss);
  }
  b.pin(centre.z() - 0.9 * r, 0.22);
}

// A pale, glossy body of revolution on the axis, nearly without pattern: it stands as still as the
// backdrop.
void build_urn(BodyBuilder& b, bool second) {
  const BodyMaterial gloss{second ? bgr(0.78, 0.76, 0.72) : bgr(0.80, 0.74, 0.66),
                           second ? 0.05 : 0.03, 0.8, 0.1};
  const double r = second ? 1.6 : 1.9;
  b.add(demo::ellipsoid(Part::body, {0, 0, -0.5}, {r, r, (second ? 1.3 : 0.9) * r}), gloss);
  double size = (second ? 0.6 : 0.72) * r;
  double z = -0.5 + (second ? 0.95 : 0.55) * r;
  for (int i = 0; i < (second ? 3 : 4); ++i) {
    b.add(demo::ellipsoid(Part::pronotum, {0, 0, z}, {size, size, 0.72 * size}), gloss);
    z += 0.62 * size;
    size *= 0.68;
  }
  if (second) {  // a chip at the shoulder, the one thing that turns
    b.add(demo::ellipsoid(Part::leg, {0.95 * r, 0.2, -0.1}, {0.25, 0.3, 0.2}),
          {bgr(0.3, 0.24, 0.2), 0.3, 0.1, 0.4});
  }
  b.pin(-0.5 - (second ? 1.25 : 0.9) * r, 0.22);
}

// Closed loops of several sizes: holes that show the backdrop.
void build_loops(BodyBuilder& b, bool second) {
  const BodyMaterial skin{second ? bgr(0.58, 0.36, 0.30) : bgr(0.44, 0.40, 0.34), 0.7, 0.15, 0.3};
  const auto ring = [&](const Vector3d& centre, const Vector3d& u, const Vector3d& v, double radius,
                        double tube) {
    std::vector<Vector3d> points;
    for (int i = 0; i <= 28; ++i) {
      const double turn = 2 * kPi * i / 28.0;
      points.push_back(centre + radius * (std::cos(turn) * u + std::sin(turn) * v));
    }
    b.line(Part::leg, points, tube, tube, skin);
  };
  const double big = second ? 1.7 : 1.9;
  ring({0, 0, 0.2}, Vector3d(0, 1, 0), Vector3d(0, 0, 1), big, 0.36);
  ring({0, 0, 0.2}, Vector3d(0.97, 0.25, 0).normalized(), Vector3d(0, 0, 1), 0.85 * big, 0.30);
  b.add(demo::ellipsoid(Part::body, {0, 0, -1.9}, {1.05, 1.15, 0.65}), skin);
  for (int i = 0; i < (second ? 11 : 8); ++i) {
    const double turn = b.draws.uniform(0, 2 * kPi);
    const Vector3d out(0, std::cos(turn), std::sin(turn));
    const Vector3d v = (out + 0.4 * b.direction()).normalized();
    ring(Vector3d(0, 0, 0.2) + (big + 0.45) * out, v, v.unitOrthogonal(),
         b.draws.uniform(0.10, 0.38), b.draws.uniform(0.02, 0.07));
  }
  b.pin(-2.4, 0.2);
}

// Ivory, smooth, with hardly any texture.
void build_tooth(BodyBuilder& b, bool second) {
  const BodyMaterial enamel{second ? bgr(0.74, 0.70, 0.60) : bgr(0.78, 0.72, 0.58), 0.06, 0.5,
                            0.15};
  const BodyMaterial root{second ? bgr(0.58, 0.50, 0.38) : bgr(0.66, 0.56, 0.40), 0.1, 0.1, 0.4};
  b.add(demo::ellipsoid(Part::body, {0, 0, 0.9}, {1.45, 1.7, 1.15}), enamel);
  for (int i = 0; i < 4; ++i) {
    const double turn = kPi / 4 + i * kPi / 2;
    b.add(demo::ellipsoid(Part::body, {0.75 * std::cos(turn), 0.9 * std::sin(turn), 1.6},
                          {0.6, 0.65, 0.6}),
          enamel);
  }
  for (int i = 0; i < (second ? 3 : 2); ++i) {
    const double turn = 0.4 + 2 * kPi * i / (second ? 3.0 : 2.0);
    const Vector3d at(0.6 * std::cos(turn), 0.8 * std::sin(turn), 0.4);
    b.line(Part::leg,
           {at, at + Vector3d(0.1 * std::cos(turn), 0.15 * std::sin(turn), -1.4),
            at + Vector3d(-0.1 * std::cos(turn), 0.1 * std::sin(turn), -2.7)},
           0.62, 0.2, root);
  }
  b.pin(-2.0, 0.18);
}

const BodyMaterial kStem{bgr(0.36, 0.30, 0.16), 0.3, 0.05, 0.5};
const BodyMaterial kLeaf{bgr(0.26, 0.44, 0.14), 0.4, 0.1, 0.4};

void grow_moss(BodyBuilder& b, const Vector3d& from, const Vector3d& along, double length,
               int depth) {
  const Vector3d to = from + length * along;
  const double radius = 0.02 + 0.035 * depth;
  b.add(demo::round_cone(Part::leg, from, radius, to, 0.8 * radius), kStem);
  for (int i = 0; i < 7; ++i) {
    const Vector3d out = (b.direction() + 0.5 * along).normalized();
    const Vector3d at = from + (0.1 + 0.13 * i) * length * along;
    Matrix3d frame;
    frame.col(0) = out;
    frame.col(2) = out.unitOrthogonal();
    frame.col(1) = frame.col(2).cross(out);
    b.add(demo::ellipsoid(Part::leg, at + 0.2 * out, {0.2, 0.07, 0.02}, frame), kLeaf);
  }
  if (depth == 0) return;
  const int children = 3;
  for (int i = 0; i < children; ++i) {
    const Vector3d next = (along + 0.85 * b.direction() + Vector3d(0, 0, 0.25)).normalized();
    grow_moss(b, to, next, 0.8 * length, depth - 1);
  }
}

void build_pappus(BodyBuilder& b) {
  const BodyMaterial seed{bgr(0.34, 0.24, 0.15), 0.8, 0.05, 0.5};
  const BodyMaterial silk{bgr(0.72, 0.68, 0.60), 0.05, 0.0, 1.0};
  b.add(demo::ellipsoid(Part::body, {0, 0, -1.0}, {0.85, 0.85, 1.5}), seed);
  b.line(Part::leg, {{0, 0, 0.4}, {0.03, 0, 0.9}}, 0.25, 0.16, seed);
  for (int i = 0; i < 130; ++i) {
    const double turn = b.draws.uniform(-kPi, kPi);
    const double lift = b.draws.uniform(0.1, 1.4);
    const Vector3d out =
        Vector3d(std::cos(turn) * std::cos(lift), std::sin(turn) * std::cos(lift), std::sin(lift));
    const double length = b.draws.uniform(1.4, 2.4);
    const double width = b.draws.uniform(0.8, 2.6);
    b.hair({0, 0, 0.9}, out, length, width, silk);
    for (int k = 0; k < 6; ++k) {
      const Vector3d at = Vector3d(0, 0, 0.9) + b.draws.uniform(0.3, 0.9) * 0.5 * length * out;
      b.hair(at, (out + b.direction()).normalized(), 0.35, 0.3 + 0.3 * b.draws.uniform(0, 1), silk);
    }
  }
  b.pin(-2.4, 0.1);
}

// Nearly black and glossy, with long thin antennae and legs.
void build_ant(BodyBuilder& b) {
  const BodyMaterial jet{bgr(0.055, 0.045, 0.05), 0.5, 0.7, 0.12};
  const BodyMaterial hair{bgr(0.40, 0.33, 0.22), 0.1, 0.0, 1.0};
  b.add(demo::ellipsoid(Part::body, {0, 0, -1.6}, {1.25, 1.3, 1.35}), jet);
  b.add(demo::ellipsoid(Part::body, {0, 0, 0.0}, {0.35, 0.4, 0.4}), jet);
  b.add(demo::ellipsoid(Part::pronotum, {0, 0, 0.9}, {0.65, 0.7, 0.85}), jet);
  b.add(demo::ellipsoid(Part::head, {-0.1, 0, 2.2}, {0.75, 0.9, 0.65}), jet);
  for (const double side : {-1.0, 1.0}) {
    for (const double z : {1.3, 0.9, 0.4}) {
      const Vector3d hip(-0.3, side * 0.5, z);
      const Vector3d knee = hip + Vector3d(-0.8, side * 1.0, 1.4 * (z - 0.7));
      const Vector3d ankle = knee + Vector3d(-0.1, side * 0.6, -1.5);
      b.line(Part::leg, {hip, knee, ankle, ankle + Vector3d(-0.2, side * 0.35, -0.6)}, 0.12, 0.03,
             jet);
    }
    b.line(Part::antenna,
           {{-0.6, side * 0.3, 2.5},
            {-1.1, side * 1.1, 3.1},
            {-1.5, side * 2.0, 2.6},
            {-1.5, side * 2.6, 1.9}},
           0.06, 0.035, jet);
  }
  for (int i = 0; i < 260; ++i) {
    const Vector3d out = b.direction();
    if (out.z() < -0.85) continue;
    b.hair(Vector3d(0, 0, -1.6) + Vector3d(1.25, 1.3, 1.35).cwiseProduct(out), out,
           b.draws.uniform(0.2, 0.5), 0.3 + b.hair_width(), hair);
  }
  b.pin(-2.9, 0.12);
}

// Hairs keep their width, which is given in pixels.
void enlarge(BodyParts& parts, double by) {
  for (Solid& solid : parts.solids) {
    solid.a *= by;
    solid.b *= by;
    solid.unit_from_world /= by;
    solid.cavity_from_world /= by;
    solid.half_box *= by;
    if (solid.part == Part::bristle) continue;
    solid.radius_a *= by;
    solid.radius_b *= by;
  }
}

// So that the specimen fills 300 to 450 px.
double size_of(BodyKind kind) {
  if (kind == BodyKind::pod || kind == BodyKind::shell || kind == BodyKind::urn) return 1.45;
  return kind == BodyKind::loops || kind == BodyKind::pappus ? 1.7 : 1.6;
}

}  // namespace

BodyParts body_parts(const MaskBody& body, double pixel_mm) {
  BodyBuilder b(body.seed, pixel_mm);
  const bool second = body.seed > 100;
  switch (body.kind) {
    case BodyKind::pod:
      build_pod(b, second);
      break;
    case BodyKind::fly:
      build_fly(b, second);
      break;
    case BodyKind::shell:
      build_shell(b, second);
      break;
    case BodyKind::loops:
      build_loops(b, second);
      break;
    case BodyKind::tooth:
      build_tooth(b, second);
      break;
    case BodyKind::moss:
      for (int i = 0; i < 5; ++i) {
        grow_moss(b, {0, 0, -2.2}, (Vector3d(0, 0, 0.9) + 0.7 * b.direction()).normalized(), 1.3,
                  3);
      }
      b.add(demo::ellipsoid(Part::body, {0, 0, -2.3}, {0.8, 0.8, 0.35}),
            {bgr(0.3, 0.22, 0.15), 0.9, 0.0, 0.5});
      b.pin(-2.6, 0.12);
      break;
    case BodyKind::pappus:
      build_pappus(b);
      break;
    case BodyKind::ant:
      build_ant(b);
      break;
    case BodyKind::urn:
      build_urn(b, second);
      break;
  }
  enlarge(b.parts, size_of(body.kind));
  return std::move(b.parts);
}

demo::Surface BodyModel::surface_at(const demo::Hit& hit, const Vector3d& point) const {
  const BodyMaterial& material = materials_[static_cast<std::size_t>(hit.solid)];
  const Solid& solid = solids()[static_cast<std::size_t>(hit.solid)];
  demo::Surface surface;
  surface.normal = demo::normal_at(solid, point, hit.cavity);
  surface.albedo = material.albedo;
  if (solid.part != Part::bristle) {
    const demo::NoiseValue fine = demo::fractal_noise(point * 3.0, options().seed * 1000, 5, 0.7);
    surface.albedo *= std::clamp(1.0 + material.mottle * fine.value, 0.3, 1.8);
    const Vector3d along = fine.gradient - fine.gradient.dot(surface.normal) * surface.normal;
    surface.normal = (surface.normal - 0.04 * material.mottle * along).normalized();
  }
  surface.gloss = material.gloss;
  surface.roughness = material.roughness;
  surface.transmission = material.transmission;
  return surface;
}

}  // namespace trunnion::test
