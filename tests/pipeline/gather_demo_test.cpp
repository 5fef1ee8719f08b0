// The frames of the demo's card, rendered as focus series, are sorted and judged without a doubt.
// The demo is invented; what is checked is that one part of the program takes the other's files.
#include <gtest/gtest.h>

#include "core/files.h"
#include "datasets/demo_card.h"
#include "pipeline/gather/series_table.h"
#include "stages/judge_series/judge_series.h"
#include "tests/support/small_set.h"

namespace trunnion {
namespace gather_demo_test {

TEST(GatherDemo, EverySeriesOfTheCardIsWholeAndInItsPlace) {
  const fs::path demo = fs::path(testing::TempDir()) / "gather_demo";
  fs::remove_all(demo);
  ASSERT_EQ(test::run_trunnion({"demo", demo.string(), "--rings", "2", "--stations", "3", "--width",
                                "720", "--height", "480", "--no-boards", "--frames", "10"})
                .exit_code,
            0);
  const test::ProgramRun run = test::run_trunnion(
      {"gather", (demo / "card").string(), "--workspace", (demo / "specimen").string()});
  EXPECT_EQ(run.exit_code, 0) << run.err;
  const std::vector<SeriesRow> rows = read_series(demo / "specimen");
  ASSERT_EQ(rows.size(), 6U);
  for (std::size_t i = 0; i < rows.size(); ++i) {
    EXPECT_EQ(rows[i].state, "whole");
    EXPECT_EQ(rows[i].frames, 10);
    EXPECT_EQ(rows[i].station, static_cast<int>(i % 3));
    EXPECT_EQ(rows[i].doubts, "") << rows[i].ring << " " << rows[i].station;
    EXPECT_TRUE(rows[i].first_s && rows[i].last_s);
  }
  EXPECT_NEAR(*rows[0].first_s, static_cast<double>(demo::kCardBegins), 1.0);
  fs::remove_all(demo);
}

// Layers that cover each other, as a thin lens shows them: light from out of focus lies over the
// backdrop beside an outline, which is no detail of the first or last plane.
TEST(GatherDemo, DepthThatIsNotCoveredIsNamedAndCoveredDepthIsNot) {
  demo::DemoOptions options;
  options.rings = 1;
  options.stations = 3;
  options.width_px = 720;
  options.height_px = 480;
  options.frames = 12;
  const demo::DemoSet set(options);
  const demo::RenderedView view = set.render(set.views()[1]);
  const auto faults = [&](double before, double behind) {
    demo::SeriesShape shape{.planes = 24, .before = before, .behind = behind};
    std::vector<judge_series::SeriesFrame> frames;
    for (const demo::CardFrame& frame : demo::focus_series(set, view, shape)) {
      cv::Mat grey;
      cv::transform(frame.image, grey, cv::Matx13f(0.114F, 0.587F, 0.299F));
      frames.push_back({grids_of(grey), frame.time_s, std::nullopt});
    }
    std::string names;
    for (const auto& found : judge_series::judge_series(frames)) {
      names += judge_series::name_of(found.fault);
      names += ' ';
    }
    return names;
  };
  EXPECT_EQ(faults(1.5, 1.5), "");
  EXPECT_EQ(faults(-6, 1.5), "near ");
  EXPECT_EQ(faults(1.5, -6), "far ");
}

}  // namespace gather_demo_test
}  // namespace trunnion
