// Camera poses for a list of stage angles, from a setup and its calibration record: what
// `trunnion prepare` starts from before it looks at any image.
//   list_poses setups/NAME.toml RING ANGLE_DEG...
#include <trunnion/config/calibration_record.h>
#include <trunnion/config/setup.h>
#include <trunnion/core/angle.h>
#include <trunnion/core/error.h>
#include <trunnion/core/pose.h>
#include <trunnion/stages/orient/orient.h>
#include <cstdio>
#include <cstdlib>
#include <filesystem>
#include <string>
#include <vector>

namespace {

int list(const std::filesystem::path& setup_file, const std::string& ring_name,
         const std::vector<double>& angles) {
  const trunnion::Setup setup = trunnion::read_setup(setup_file);
  const trunnion::CalibrationRecord record =
      trunnion::read_record(trunnion::record_path(setup_file));
  trunnion::Specimen specimen;
  trunnion::Ring ring;
  ring.name = ring_name;
  ring.stations = static_cast<int>(angles.size());
  specimen.rings = {ring};

  std::vector<trunnion::orient::OrientStation> stations;
  for (const double angle : angles) {
    trunnion::orient::OrientStation station;
    station.name = std::to_string(stations.size());
    station.ring = ring_name;
    station.station = static_cast<int>(stations.size());
    station.stage_angle = trunnion::radians(angle);
    stations.push_back(station);
  }
  const auto result = trunnion::orient::orient(stations, specimen, setup, &record);
  std::printf("angle_deg,X_mm,Y_mm,Z_mm,qw,qx,qy,qz\n");
  for (const trunnion::View& view : result.views) {
    const Eigen::Vector3d c = view.prior.centre_mm();
    const Eigen::Vector4d q = trunnion::quaternion_wxyz(view.prior.R);
    std::printf("%.17g,%.17g,%.17g,%.17g,%.17g,%.17g,%.17g,%.17g\n",
                trunnion::degrees(view.stage_angle), c.x(), c.y(), c.z(), q[0], q[1], q[2], q[3]);
  }
  return 0;
}

}  // namespace

int main(int argc, char** argv) {
  if (argc < 4) {
    std::fprintf(stderr, "usage: list_poses SETUP.toml RING ANGLE_DEG...\n");
    return 2;
  }
  try {
    std::vector<double> angles;
    for (int i = 3; i < argc; ++i) angles.push_back(std::strtod(argv[i], nullptr));
    return list(argv[1], argv[2], angles);
  } catch (const trunnion::Error& error) {
    std::fprintf(stderr, "%s\n", error.what());
    return 1;
  }
}
