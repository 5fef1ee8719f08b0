// Takes the distortion out of one image by a calibration record, as `trunnion prepare` does.
//   undistort_image setups/NAME.calibration.json IMAGE OUT.tif
#include <trunnion/config/calibration_record.h>
#include <trunnion/core/error.h>
#include <trunnion/core/image_io.h>
#include <trunnion/stages/undistort/undistort.h>
#include <cstdio>
#include <opencv2/core.hpp>

int main(int argc, char** argv) {
  if (argc != 4) {
    std::fprintf(stderr, "usage: undistort_image RECORD IMAGE OUT.tif\n");
    return 2;
  }
  try {
    const trunnion::CalibrationRecord record = trunnion::read_record(argv[1]);
    if (!record.lens) {
      std::fprintf(stderr, "%s: holds no lens calibration.\n", argv[1]);
      return 1;
    }
    const trunnion::UndistortSettings settings;  // the defaults of specimen.toml
    const auto map = trunnion::undistort::undistort_map(record.lens->camera, settings);
    cv::Mat image = trunnion::read_image(argv[2]);
    trunnion::undistort::undistort_image(image, map, settings.interpolation);
    trunnion::write_image(argv[3], image, {});
    return 0;
  } catch (const trunnion::Error& error) {
    std::fprintf(stderr, "%s\n", error.what());
    return 1;
  }
}
