// Calibration commands with boards as people own them: every kind, wrong counts and kinds, lens and
// axis in one call, an earlier calibration to compare with. The truth is the demo renderer's.
#include <fmt/format.h>
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <nlohmann/json.hpp>

#include "config/calibration_record.h"
#include "config/toml_writer.h"
#include "core/angle.h"
#include "core/files.h"
#include "core/image_io.h"
#include "datasets/demo_set.h"
#include "tests/support/demo_at_720.h"
#include "tests/support/open_data.h"

namespace trunnion {
namespace board_commands_test {

using testing::HasSubstr;

struct Kind {
  const char* name;
  demo::Board board;
  std::vector<std::string> options;
};

demo::Board board_of(BoardKind kind, int columns, int rows, double square_mm) {
  demo::Board board;
  board.kind = kind;
  board.columns = columns;
  board.rows = rows;
  board.square_mm = square_mm;
  return board;
}

std::vector<Kind> kinds() {
  return {
      {"OddEven", board_of(BoardKind::checkerboard, 11, 8, 0.9), {}},
      {"OddOdd", board_of(BoardKind::checkerboard, 11, 9, 0.9), {}},
      {"EvenEven", board_of(BoardKind::checkerboard, 10, 8, 0.9), {}},
      {"Charuco", board_of(BoardKind::coded, 11, 8, 0.9), {"--kind", "charuco"}},
      {"Circles", board_of(BoardKind::circles, 11, 8, 0.9), {"--kind", "circles"}},
      {"Staggered", board_of(BoardKind::staggered, 4, 11, 0.75), {"--kind", "staggered-circles"}},
  };
}

// Nine stations of the demo's first ring, its right part cut off so that a third of the board is
// out of frame in the middle station.
struct StageBoards {
  std::filesystem::path setup;
  std::string images;
  std::string angles = "-56:14";
  Camera camera;
  Axis truth;
};

StageBoards shoot(const std::filesystem::path& folder, const Kind& kind, bool spoilt) {
  demo::DemoOptions options;
  options.width_px = 1200;
  options.height_px = 800;
  options.stations = 3;
  const demo::DemoSet set(options);
  const demo::TrueRing& ring = set.rig().rings[0];
  StageBoards made;
  made.camera = set.rig().camera;
  made.camera.width_px = 700;
  made.truth = ring.axis;
  Setup setup = set.rig().setup;
  setup.width_px = 700;
  made.setup = folder / "demo.toml";
  write_file(made.setup, setup_toml(setup));
  CalibrationRecord record = demo::true_record(set.rig());
  record.axis.reset();
  record.lens->camera.width_px = 700;
  write_record(record_path(made.setup), record);
  Eigen::Matrix3d upright;
  upright.col(0) = Eigen::Vector3d::UnitY();
  upright.col(1) = -Eigen::Vector3d::UnitZ();
  upright.col(2) = -Eigen::Vector3d::UnitX();
  Pose board;
  board.R = rotation_about(Eigen::Vector3d::UnitY(), radians(-12.0)) * upright;
  board.t = Eigen::Vector3d(0.6, 0.3, 0.2) - board.R * kind.board.centre();
  for (int i = 0; i < 9; ++i) {
    const Pose turn{rotation_about(Eigen::Vector3d::UnitZ(), radians(-56.0 + 14.0 * i)),
                    Eigen::Vector3d::Zero()};
    demo::RenderedView view = demo::render_board(
        kind.board, made.camera, ring.camera_from_stage(false) * turn * board, set.backdrop());
    if (spoilt) {
      demo::BoardFlaws flaws;
      flaws.blur_left_px = 0.8;
      flaws.blur_right_px = 2.5;
      flaws.glare = 0.4;
      spoil(view, flaws);
    }
    write_image(folder / fmt::format("board_{}.tif", i),
                expose(view.colour, set.sensor(), made.camera, static_cast<std::uint64_t>(i)),
                {.type = FileType::tiff});
  }
  made.images = (folder / "board_*.tif").string();
  return made;
}

std::vector<std::string> axis_call(const StageBoards& made, const Kind& kind) {
  std::vector<std::string> call{
      "calibrate",         "axis",
      made.setup.string(), "--images",
      made.images,         "--angles=" + made.angles,
      "--board",           fmt::format("{}x{}", kind.board.columns, kind.board.rows),
      "--square",          fmt::format("{}", kind.board.square_mm)};
  call.insert(call.end(), kind.options.begin(), kind.options.end());
  return call;
}

class BoardCommands : public testing::TestWithParam<Kind> {};

TEST_P(BoardCommands, SlowAxisFromEveryKindWithAThirdOutOfFrame) {
  for (const bool spoilt : {false, true}) {
    const test::TemporaryFolder folder;
    const StageBoards made = shoot(folder.path(), GetParam(), spoilt);
    const auto run = test::run_trunnion(axis_call(made, GetParam()));
    ASSERT_EQ(run.exit_code, 0) << run.out << run.err;
    const RingAxis ring = read_record(record_path(made.setup)).axis->rings.at(0);
    const Axis& found = ring.axis;
    const double direction = degrees(std::atan2(found.direction.cross(made.truth.direction).norm(),
                                                found.direction.dot(made.truth.direction)));
    Eigen::Vector3d place = found.origin_mm - made.truth.origin_mm;
    place -= found.direction * place.dot(found.direction);
    fmt::print(
        "{}{}: direction {:.4f} degrees, across the view {:.2f} um, along {:+.1f} um +- {:.1f}\n",
        GetParam().name, spoilt ? ", defocus and glare" : "", direction,
        1000.0 * place.head<2>().norm(), 1000.0 * place.z(),
        1000.0 * std::sqrt(ring.covariance(4, 4)));
    EXPECT_LE(direction, 0.01);
    EXPECT_LE(1000.0 * place.head<2>().norm(), 3.0);
    EXPECT_LE(std::abs(place.z()), 3.0 * std::sqrt(ring.covariance(4, 4)));
  }
}

INSTANTIATE_TEST_SUITE_P(Kinds, BoardCommands, testing::ValuesIn(kinds()),
                         [](const auto& kind) { return std::string(kind.param.name); });

TEST(BoardCommand, SlowWrongCountsAndKindsAreNamed) {
  const test::TemporaryFolder folder;
  const Kind kind = kinds()[0];
  const StageBoards made = shoot(folder.path(), kind, false);
  Kind wrong = kind;
  wrong.board.columns = 7;
  wrong.board.rows = 5;
  auto run = test::run_trunnion(axis_call(made, wrong));
  EXPECT_EQ(run.exit_code, 1);
  EXPECT_THAT(run.err, HasSubstr("--board says 7x5, but"));
  EXPECT_THAT(run.err, HasSubstr("inner corners; give --board"));
  wrong = kind;
  wrong.options = {"--kind", "circles"};
  run = test::run_trunnion(axis_call(made, wrong));
  EXPECT_EQ(run.exit_code, 1);
  EXPECT_THAT(run.err, HasSubstr("give --kind checkerboard"));
  wrong.options = {"--kind", "charuco", "--marker", "0.9"};
  run = test::run_trunnion(axis_call(made, wrong));
  EXPECT_EQ(run.exit_code, 2);
  EXPECT_THAT(run.err, HasSubstr("--marker is 0.9 mm"));
  wrong.options = {"--marker", "0.5"};
  run = test::run_trunnion(axis_call(made, wrong));
  EXPECT_EQ(run.exit_code, 2);
  EXPECT_THAT(run.err, HasSubstr("--kind charuco only"));
}

// Lens and axis in one call from the demo's boards on the stage; the record says which images
// served what; a second calibration is compared with the first.
TEST(BoardCommand, SlowJointCalibrationWritesBothAndCompares) {
  const test::TemporaryFolder folder;
  const std::string demo = (folder.path() / "demo").string();
  const std::string setup = demo + "/setups/demo.toml";
  ASSERT_EQ(test::run_trunnion(test::demo_command_at_720(demo)).exit_code, 0);
  const std::vector<std::string> call{"calibrate",
                                      "joint",
                                      setup,
                                      "--images",
                                      demo + "/boards/axis/*.tif",
                                      "--board",
                                      "11x8",
                                      "--square",
                                      "0.9",
                                      "--angles",
                                      demo + "/boards/axis/angles.csv",
                                      "--lens-images",
                                      demo + "/boards/lens/*.tif"};
  auto run = test::run_trunnion(call);
  ASSERT_EQ(run.exit_code, 0) << run.out << run.err;
  const CalibrationRecord record = read_record(record_path(setup));
  ASSERT_TRUE(record.lens && record.axis);
  // Which images served what: those on the stage both, the others the lens alone.
  const auto& for_axis = record.axis->provenance.images;
  const auto& for_lens = record.lens->provenance.images;
  EXPECT_GE(for_axis.size(), 16U);
  EXPECT_GE(for_lens.size(), for_axis.size() + 13U);
  for (const std::string& name : for_axis) {
    EXPECT_NE(std::find(for_lens.begin(), for_lens.end(), name), for_lens.end()) << name;
  }
  EXPECT_FALSE(record.axis->rings[0].covariance_with_lens.isZero());
  const CalibrationRecord truth = read_record(demo + "/truth/demo.calibration.json");
  EXPECT_NEAR(record.lens->camera.fx, truth.lens->camera.fx,
              4.0 * std::sqrt(record.lens->covariance(0, 0)));
  for (const RingAxis& ring : truth.axis->rings) {
    const auto found = std::find_if(record.axis->rings.begin(), record.axis->rings.end(),
                                    [&](const RingAxis& r) { return r.ring == ring.ring; });
    ASSERT_NE(found, record.axis->rings.end());
    const Eigen::Vector3d& a = found->axis.direction;
    const Eigen::Vector3d& b = ring.axis.direction;
    EXPECT_LE(degrees(std::atan2(a.cross(b).norm(), a.dot(b))), 0.05) << ring.ring;
  }

  const std::string old = (folder.path() / "old.json").string();
  std::filesystem::copy_file(record_path(setup), old);
  std::vector<std::string> again = call;
  again.insert(again.end(), {"--compare", old, "--json"});
  run = test::run_trunnion(again);
  ASSERT_EQ(run.exit_code, 0) << run.out << run.err;
  auto json = nlohmann::json::parse(run.out);
  EXPECT_FALSE(json["comparison"]["moved"]);
  CalibrationRecord moved = record;
  moved.axis->rings[0].axis.origin_mm.x() += 0.5;
  write_record(old, moved);
  run = test::run_trunnion(again);
  json = nlohmann::json::parse(run.out);
  EXPECT_TRUE(json["comparison"]["moved"]);
  EXPECT_FALSE(json["comparison"]["groups"][0]["moved"]);
}

}  // namespace board_commands_test
}  // namespace trunnion
