#include "pipeline/workspace.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <fstream>

#include "core/error.h"
#include "core/files.h"
#include "stages/orient/orient.h"
#include "tests/support/open_data.h"

namespace trunnion {
namespace workspace_test {

using testing::HasSubstr;

constexpr const char* kSetup =
    "[body]\nwidth_px = 600\nheight_px = 400\npixel_pitch_um = 4.0\n"
    "[lens]\nfocal_length_mm = 100.0\nmagnification = 1.0\nf_number = 8.0\n";

class WorkspaceTest : public testing::Test {
 protected:
  WorkspaceTest() {
    write_file(root() / "specimen.toml",
               "setup = \"../setups/a.toml\"\n[[ring]]\nname = \"a\"\nstations = 4\n"
               "pattern = \"fused/a_{station}.tif\"\n");
    write_file(setup_file(), kSetup);
    fs::create_directories(root() / "fused");
  }
  fs::path root() const { return folder_.path() / "seed"; }
  fs::path setup_file() const { return folder_.path() / "setups/a.toml"; }
  std::string complaint(const WorkspaceOptions& options = {}) {
    try {
      open_workspace(root(), options);
    } catch (const Error& error) {
      return error.what();
    }
    return "";
  }
  test::TemporaryFolder folder_;
};

TEST_F(WorkspaceTest, OpensWithoutCalibration) {
  const Workspace workspace = open_workspace(root());
  EXPECT_EQ(workspace.setup.width_px, 600);
  EXPECT_FALSE(workspace.record);
}

TEST_F(WorkspaceTest, SaysWhatAWorkspaceIs) {
  EXPECT_THROW(open_workspace(folder_.path() / "none"), Error);
  fs::remove(root() / "specimen.toml");
  EXPECT_THAT(complaint(), HasSubstr("contains no specimen.toml"));
}

TEST_F(WorkspaceTest, RefusesARecordOfAnotherSetupNamingTheField) {
  CalibrationRecord record = record_for(read_setup(setup_file()));
  write_record(record_path(setup_file()), record);
  EXPECT_EQ(complaint(), "");
  record.magnification = 2.0;
  write_record(record_path(setup_file()), record);
  EXPECT_THAT(complaint(), HasSubstr("lens.magnification was 2 at calibration and is 1"));
  const Workspace workspace = open_workspace(root(), {.ignore_mismatch = true});
  ASSERT_EQ(workspace.findings.size(), 1U);
  EXPECT_THAT(workspace.findings[0].what, HasSubstr("lens.magnification"));
}

// 3.8 um a pixel at a pitch of 4 um: the mark of 1 is 5 % wrong. The distance follows, so that
// nominal geometry has the micrometer's scale, whatever the principal distance is taken to be.
TEST_F(WorkspaceTest, AMeasuredScaleStandsInForTheMark) {
  CalibrationRecord record = record_for(read_setup(setup_file()));
  record.scale = {0.0038, 1e-6, 20, {"2024-05-01T10:00:00Z", "0.1.0", {"m.tif"}, {"00ff"}, {}}};
  write_record(record_path(setup_file()), record);
  Workspace workspace = open_workspace(root());
  EXPECT_NEAR(workspace.setup.lateral_magnification(), 4.0 / 3.8, 1e-12);
  const auto scale_at_axis = [&](const Camera& camera) {
    const orient::OrientResult oriented = orient::orient(
        {{"a_1", "a", 0, 1, 0.0}}, workspace.file.specimen, workspace.setup, &*workspace.record);
    return oriented.views[0].pose.t.norm() / camera.fx;
  };
  EXPECT_NEAR(scale_at_axis(workspace.setup.nominal_camera()), 0.0038, 1e-9);
  workspace.record->lens.emplace();
  workspace.record->lens->camera = workspace.setup.nominal_camera();
  workspace.record->lens->camera.fx *= 1.03;
  EXPECT_NEAR(scale_at_axis(workspace.record->lens->camera), 0.0038, 1e-9);
}

TEST_F(WorkspaceTest, RefusesADamagedRecord) {
  write_file(record_path(setup_file()), "{\"format\": 3}");
  EXPECT_THAT(complaint(), HasSubstr("a.calibration.json"));
}

TEST_F(WorkspaceTest, RefusesOutputsThatWouldFallOnInputs) {
  fs::create_directory_symlink(root() / "fused", root() / "prepared");
  EXPECT_THAT(complaint(), HasSubstr("share a folder"));
}

TEST_F(WorkspaceTest, RefusesInputsBelowTheOutputs) {
  write_file(root() / "specimen.toml",
             "setup = \"../setups/a.toml\"\n[[ring]]\nname = \"a\"\nstations = 4\n"
             "pattern = \"prepared/images/a_{station}.tif\"\n");
  EXPECT_THAT(complaint(), HasSubstr("share a folder"));
}

TEST_F(WorkspaceTest, RefusesALinkToInputsAnywhereBelowTheOutputs) {
  for (const char* link : {"prepared/images", "prepared/masks", "prepared/report", "prepared/text",
                           ".trunnion/encoded"}) {
    const fs::path place = root() / link;
    fs::create_directories(place.parent_path());
    for (const fs::path& target : {root() / "fused", root(), setup_file().parent_path()}) {
      fs::create_directory_symlink(target, place);
      EXPECT_THAT(complaint(), HasSubstr(place.string() + ": ")) << target;
      EXPECT_THAT(complaint(), HasSubstr("share a folder")) << target;
      fs::remove(place);
    }
    EXPECT_EQ(complaint(), "") << link;
  }
}

// An image may itself be a link into a folder of originals.
TEST_F(WorkspaceTest, RefusesOutputsInAFolderThatImagesAreLinkedFrom) {
  write_file(folder_.path() / "originals/a_0.tif", "x");
  fs::create_symlink(folder_.path() / "originals/a_0.tif", root() / "fused/a_0.tif");
  fs::create_directories(root() / "prepared");
  fs::create_directory_symlink(folder_.path() / "originals", root() / "prepared/images");
  EXPECT_THAT(complaint(), HasSubstr("share a folder"));
}

TEST_F(WorkspaceTest, ALeaseThatIsALinkIsNotWrittenThrough) {
  const Workspace workspace = open_workspace(root());
  const fs::path original = root() / "fused/a_0.tif";
  write_file(original, "original");
  fs::create_directories(workspace.state());
  fs::create_symlink(original, workspace.state() / "lease.1");
  EXPECT_NO_THROW(WorkspaceLock{workspace});
  EXPECT_EQ(read_file(original), "original");
  fs::create_hard_link(original, workspace.state() / "lease.7");
  EXPECT_NO_THROW(WorkspaceLock{workspace});
  EXPECT_EQ(read_file(original), "original");
}

// As every program opens it: ".." leads out of the folder itself, not out of the link to it.
TEST_F(WorkspaceTest, TheSetupOfALinkedWorkspaceIsTheOneBesideTheWorkspaceItself) {
  const fs::path desk = folder_.path() / "desk";
  fs::create_directories(desk / "setups");
  fs::create_directory_symlink(root(), desk / "seed");
  EXPECT_EQ(open_workspace(desk / "seed").setup.width_px, 600);
  std::string other = kSetup;
  other.replace(other.find("600"), 3, "800");
  write_file(desk / "setups/a.toml", other);
  EXPECT_EQ(open_workspace(desk / "seed").setup.width_px, 600);
  fs::remove(setup_file());
  EXPECT_THROW(open_workspace(desk / "seed"), Error);
}

}  // namespace workspace_test
}  // namespace trunnion
