#include "datasets/rig.h"

#include <fmt/format.h>

#include <cmath>

#include "core/angle.h"
#include "datasets/random.h"

namespace trunnion::demo {
namespace {

constexpr double kFrameHeight_mm = 13.44;
constexpr double kFocalLength_mm = 100.0;
constexpr double kBreathing = -0.12;
constexpr double kSigmaAngle_deg = 0.02;

Setup nominal_setup(const RigOptions& options) {
  Setup setup;
  setup.name = "demo";
  setup.title = "Demo bench: 100 mm macro lens at 1:1";
  setup.body_text = "demo bench body";
  setup.width_px = options.width_px;
  setup.height_px = options.height_px;
  setup.pixel_pitch_um = 1000.0 * kFrameHeight_mm / options.height_px;
  setup.lens_text = "100 mm macro";
  setup.focal_length_mm = kFocalLength_mm;
  setup.magnification = 1.0;
  setup.f_number = 8.0;
  setup.moves = options.habit == FusionHabit::lens ? FocusMotion::lens : FocusMotion::rail;
  setup.rescaled = options.habit == FusionHabit::rescaled;
  return setup;
}

// Distortion of a few pixels towards the corners. The polynomial stands in normalised coordinates
// of the nominal pinhole; `unit` is the length of one such unit in the camera's own coordinates.
void set_distortion(Camera& camera, double unit) {
  const double u2 = unit * unit;
  camera.distortion = {-2.1 / u2, 95.0 / (u2 * u2), 0.011 / unit, -0.008 / unit, 0.0};
}

void set_camera(Rig& rig, const RigOptions& options) {
  Camera& camera = rig.camera;
  camera = rig.setup.nominal_camera();
  const double scale = options.height_px / 480.0;
  camera.cx += 3.7 * scale;
  camera.cy -= 2.9 * scale;
  // The mark says 1:1; the lens is truly at 1.012 and its focal length is 99.1 mm.
  constexpr double kTrueFocal_mm = 99.1;
  constexpr double kTrueMagnification = 1.012;
  const double principal_mm = kTrueFocal_mm * (1.0 + kTrueMagnification);
  const double distance_mm = principal_mm / kTrueMagnification;
  const double px_per_mm = 1000.0 / rig.setup.pixel_pitch_um;
  switch (options.habit) {
    case FusionHabit::rescaled:
      camera.fx = principal_mm * px_per_mm;
      rig.distance_mm = distance_mm;
      set_distortion(camera, 1.0);
      break;
    case FusionHabit::orthographic:
      camera.fx = kTrueMagnification * px_per_mm;
      rig.distance_mm = distance_mm;
      set_distortion(camera, distance_mm);
      break;
    case FusionHabit::lens:
      camera.fx = principal_mm / (1.0 - kBreathing) * px_per_mm;
      rig.distance_mm = distance_mm / (1.0 - kBreathing);
      set_distortion(camera, 1.0 - kBreathing);
      break;
  }
  camera.fy = camera.fx;
  rig.telecentric = camera.projection == Projection::telecentric;
  rig.object_pixel_mm = rig.telecentric ? 1.0 / camera.fx : rig.distance_mm / camera.fx;
}

std::string ring_name(int ring, int rings) {
  if (rings == 1) return "mid";
  if (rings == 2) return ring == 0 ? "low" : "high";
  if (rings == 3) return ring == 0 ? "low" : ring == 1 ? "mid" : "high";
  return fmt::format("ring{}", ring + 1);
}

TrueRing make_ring(const RigOptions& options, int index, double distance_mm) {
  TrueRing ring;
  Draws draws(options.seed, 41 + static_cast<std::uint64_t>(index));
  const double elevation_deg =
      options.rings == 1 ? 20.0
                         : std::round(10.0 + 30.0 * index / static_cast<double>(options.rings - 1));
  Ring& nominal = ring.nominal;
  nominal.name = ring_name(index, options.rings);
  nominal.elevation = radians(elevation_deg);
  nominal.stations = options.stations;
  nominal.step = 2.0 * kPi / options.stations;
  // Rings are shifted against each other, so that their azimuths interleave.
  nominal.start = nominal.step * index / options.rings;
  nominal.turning = Turning::counter_clockwise;

  ring.elevation = nominal.elevation + radians(draws.uniform(-1.2, 1.2));
  const double roll = radians(draws.uniform(-0.6, 0.6));
  ring.axis = nominal_axis(distance_mm + draws.uniform(-0.6, 0.6), ring.elevation,
                           {draws.uniform(-0.18, 0.18), draws.uniform(-0.15, 0.15)});
  ring.axis.direction = rotation_about(Eigen::Vector3d::UnitZ(), roll) * ring.axis.direction;
  for (int station = 0; station < options.stations; ++station) {
    ring.angles.push_back(nominal.angle_of(station) + radians(kSigmaAngle_deg) * draws.normal());
  }
  return ring;
}

}  // namespace

Pose Rig::pose(std::size_t ring, std::size_t station) const {
  return pose_at(rings[ring].axis, rings[ring].angles[station], telecentric);
}

Rig make_rig(const RigOptions& options) {
  Rig rig;
  rig.setup = nominal_setup(options);
  rig.sigma_angle = radians(kSigmaAngle_deg);
  set_camera(rig, options);
  for (int i = 0; i < options.rings; ++i) {
    rig.rings.push_back(make_ring(options, i, rig.distance_mm));
  }
  return rig;
}

CalibrationRecord true_record(const Rig& rig) {
  CalibrationRecord record = record_for(rig.setup);
  const Provenance provenance{"2000-01-01T00:00:00Z",
                              TRUNNION_VERSION,
                              {},
                              {},
                              {"true values of the demo, not measured ones"}};
  LensCalibration lens;
  lens.camera = rig.camera;
  // Sigmas of the size a careful calibration of this bench reaches.
  const double unit = rig.telecentric ? rig.distance_mm : 1.0;
  const double u2 = unit * unit;
  const double scale = rig.camera.height_px / 480.0;
  Eigen::Matrix<double, 9, 1> sigma;
  sigma << 2e-4 * rig.camera.fx, 2e-4 * rig.camera.fx, 0.4 * scale, 0.4 * scale, 0.02 / u2,
      4.0 / (u2 * u2), 2e-4 / unit, 2e-4 / unit, 0.0;
  lens.covariance = sigma.cwiseAbs2().asDiagonal();
  lens.covariance(0, 1) = lens.covariance(1, 0) = lens.covariance(0, 0);  // square pixels
  lens.model = rig.telecentric ? "telecentric, k1 k2 p1 p2" : "perspective, k1 k2 p1 p2";
  lens.rms_px = 0.05;
  lens.magnification = rig.setup.pixel_pitch_um / 1000.0 / rig.object_pixel_mm;
  lens.magnification_sigma = 2e-4;
  lens.quality = "good";
  lens.provenance = provenance;
  record.lens = lens;

  AxisCalibration axis;
  for (const TrueRing& ring : rig.rings) {
    RingAxis found{ring.nominal.name, ring.elevation, ring.axis, AxisCovariance::Zero()};
    Eigen::Matrix<double, 5, 1> s;
    s << radians(0.01), radians(0.01), 0.003, 0.003, 0.02;
    found.covariance = s.cwiseAbs2().asDiagonal();
    axis.rings.push_back(found);
  }
  axis.sigma_angle = rig.sigma_angle;
  axis.rms_px = 0.05;
  axis.quality = "good";
  axis.provenance = provenance;
  record.axis = axis;
  return record;
}

}  // namespace trunnion::demo
