// The command line of the lens calibration and the target, run as a user runs it.
#include <gtest/gtest.h>

#include <fstream>
#include <nlohmann/json.hpp>

#include "config/calibration_record.h"
#include "core/files.h"
#include "core/image_io.h"
#include "tests/support/open_data.h"

namespace trunnion {
namespace calibrate_command_test {

namespace fs = std::filesystem;

// The photographs' camera is not known. Boards of 17 mm squares would stand some 12 to 15 squares
// away, so that a pixel of 10 um is about 0.4 mm there; a lens of that magnification fits.
constexpr const char* kSetup = R"(title = "photographs"
[body]
width_px = 640
height_px = 480
pixel_pitch_um = 10.0
[lens]
focal_length_mm = 5.2
magnification = 0.025
f_number = 2.0
[fusion]
moves = "lens"
rescaled = true
)";

TEST(CalibrateCommand, WritesRecordAndReportFromPhotographs) {
  const auto samples = test::opencv_samples();
  if (!samples) GTEST_SKIP() << "SKIPPED: Debian's package opencv-doc is not installed";
  const test::TemporaryFolder folder;
  const fs::path setup = folder.path() / "photo.toml";
  std::ofstream(setup) << kSetup;
  const auto run = test::run_trunnion({"calibrate", "lens", setup.string(), "--images",
                                       (*samples / "left[01]*.jpg").string(), "--board", "9x6",
                                       "--square", "17", "--json"});
  EXPECT_EQ(run.exit_code, 0) << run.err << run.out;
  const CalibrationRecord record = read_record(folder.path() / "photo.calibration.json");
  ASSERT_TRUE(record.lens);
  // The reference library's published regression figure for these photographs.
  EXPECT_NEAR(record.lens->camera.fx, 532.81, 2.0);
  EXPECT_EQ(record.lens->provenance.images.size(), record.lens->provenance.image_hashes.size());
  const auto json = nlohmann::json::parse(run.out);
  EXPECT_EQ(json["images"].size(), 13U);
  const std::string page = read_file(folder.path() / "photo.calibration.html");
  EXPECT_NE(page.find("Residual vectors"), std::string::npos);
  EXPECT_EQ(page.find("<script"), std::string::npos);
  EXPECT_EQ(page.find("http"), std::string::npos) << "the page must load nothing from elsewhere";
}

TEST(CalibrateCommand, NamesWhatIsWrongWithTheCall) {
  const test::TemporaryFolder folder;
  const fs::path setup = folder.path() / "photo.toml";
  std::ofstream(setup) << kSetup;
  const auto nothing = test::run_trunnion({"calibrate", "lens", setup.string(), "--images",
                                           (folder.path() / "*.tif").string(), "--square", "1"});
  EXPECT_EQ(nothing.exit_code, 2);
  EXPECT_NE(nothing.err.find("no file matches"), std::string::npos) << nothing.err;
  const auto board = test::run_trunnion({"calibrate", "lens", setup.string(), "--images",
                                         setup.string(), "--board", "9by6", "--square", "1"});
  EXPECT_EQ(board.exit_code, 2);
  EXPECT_NE(board.err.find("9by6"), std::string::npos) << board.err;
  const auto square =
      test::run_trunnion({"calibrate", "lens", setup.string(), "--images", setup.string()});
  EXPECT_EQ(square.exit_code, 2);
  EXPECT_NE(square.err.find("--square"), std::string::npos) << square.err;
}

// Rulings every 12.5 px, 0.05 mm apart: 4 um a pixel.
TEST(CalibrateCommand, KeepsAMicrometersScaleWithoutALens) {
  const test::TemporaryFolder folder;
  const fs::path setup = folder.path() / "photo.toml";
  std::ofstream(setup) << kSetup;
  cv::Mat image(480, 640, CV_16U);
  for (int y = 0; y < image.rows; ++y) {
    for (int x = 0; x < image.cols; ++x) {
      const double off = std::remainder(x - 3.0, 12.5);
      image.at<ushort>(y, x) = cv::saturate_cast<ushort>(50000 - 40000 * std::exp(-off * off / 3));
    }
  }
  const fs::path file = folder.path() / "micrometer.tif";
  write_image(file, image, {.type = FileType::tiff});
  const auto run = test::run_trunnion(
      {"calibrate", "lens", setup.string(), "--micrometer", file.string(), "--division", "0.05"});
  ASSERT_EQ(run.exit_code, 0) << run.out << run.err;
  const CalibrationRecord record = read_record(record_path(setup));
  ASSERT_TRUE(record.scale);
  EXPECT_FALSE(record.lens);
  EXPECT_NEAR(record.scale->mm_per_px, 0.004, 1e-6);
}

TEST(TargetCommand, WritesBothFilesAndTheCaution) {
  const test::TemporaryFolder folder;
  const auto run = test::run_trunnion(
      {"target", (folder.path() / "board").string(), "--board", "9x6", "--square", "1"});
  EXPECT_EQ(run.exit_code, 0) << run.err;
  EXPECT_TRUE(fs::exists(folder.path() / "board.svg"));
  EXPECT_TRUE(fs::exists(folder.path() / "board.pdf"));
  EXPECT_NE(run.out.find("chrome on glass"), std::string::npos) << run.out;
  EXPECT_EQ(test::run_trunnion({"target", (folder.path() / "b.png").string()}).exit_code, 2);
}

}  // namespace calibrate_command_test
}  // namespace trunnion
