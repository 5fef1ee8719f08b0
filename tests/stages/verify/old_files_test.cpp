// cameras.json of released versions (tests/old_files/README.md) and of later formats.
#include <gmock/gmock.h>

#include "core/error.h"
#include "core/files.h"
#include "stages/verify/readers.h"
#include "tests/support/open_data.h"

namespace trunnion::verify {
namespace verify_old_files_test {

TEST(VerifyOldFiles, CamerasJsonOfEveryVersionIsRead) {
  int files = 0;
  for (const auto& entry :
       std::filesystem::directory_iterator(test::source_folder() / "tests" / "old_files")) {
    const std::filesystem::path file = entry.path() / "set" / "cameras.json";
    if (!entry.is_directory()) continue;
    const Scene scene = read_cameras_json(read_file(file));
    EXPECT_GE(scene.views.size(), 6U) << file;
    for (const View& view : scene.views) {
      EXPECT_NEAR((view.pose.R * view.pose.R.transpose() - Eigen::Matrix3d::Identity()).norm(), 0.0,
                  1e-9);
      EXPECT_GT(view.covariance.diagonal().minCoeff(), 0.0);
    }
    ++files;
  }
  EXPECT_GE(files, 1);
}

// Version 0.1.0 knew no state of a pose.
TEST(VerifyOldFiles, WithoutAStateAPoseIsOfTheTurntableOnly) {
  const Scene scene = read_cameras_json(
      read_file(test::source_folder() / "tests" / "old_files" / "0.1.0" / "set" / "cameras.json"));
  for (const View& view : scene.views) EXPECT_EQ(view.state, PoseState::turntable_only);
}

TEST(VerifyOldFiles, ALaterFormatIsRefusedByName) {
  std::string text =
      read_file(test::source_folder() / "tests" / "old_files" / "0.1.0" / "set" / "cameras.json");
  const std::string version = "\"version\": 1";
  const std::size_t at = text.find(version);
  ASSERT_NE(at, std::string::npos);
  text.replace(at, version.size(), "\"version\": 2");
  try {
    read_cameras_json(text);
    FAIL() << "nothing was refused";
  } catch (const Error& error) {
    EXPECT_THAT(error.what(),
                testing::HasSubstr("cameras.json: is of format 2, of a later version"));
  }
}

}  // namespace verify_old_files_test
}  // namespace trunnion::verify
