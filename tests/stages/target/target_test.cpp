#include "stages/target/target.h"

#include <gtest/gtest.h>

#include <cmath>
#include <opencv2/imgproc.hpp>
#include <regex>

#include "core/error.h"

namespace trunnion::target {
namespace target_test {

// Draws the SVG's rectangles as they stand in the file, at px per mm.
cv::Mat raster(const std::string& svg, double px_per_mm) {
  std::smatch size;
  EXPECT_TRUE(
      std::regex_search(svg, size, std::regex("width=\"([0-9.]+)mm\" height=\"([0-9.]+)mm\"")));
  cv::Mat image(cvRound(std::stod(size[2]) * px_per_mm), cvRound(std::stod(size[1]) * px_per_mm),
                CV_8U, cv::Scalar(255));
  const std::regex rectangle("M([0-9.]+) ([0-9.]+)h([0-9.]+)v([0-9.]+)h-");
  for (std::sregex_iterator it(svg.begin(), svg.end(), rectangle), end; it != end; ++it) {
    const auto mm = [&](std::size_t i) { return cvRound(std::stod((*it)[i]) * px_per_mm); };
    image(cv::Rect(mm(1), mm(2), std::max(1, mm(3)), std::max(1, mm(4))) &
          cv::Rect(0, 0, image.cols, image.rows)) = cv::Scalar(0);
  }
  return image;
}

TEST(Target, IsTheBoardItClaimsInTrueSize) {
  const Target target = make_target({.pattern = {9, 6, 10.0}});
  const double px_per_mm = 8.0;
  const BoardView view = find_board(raster(target.svg, px_per_mm), {9, 6, 10.0});
  ASSERT_TRUE(view.found) << view.reason;
  EXPECT_TRUE(view.complete);
  EXPECT_TRUE(view.oriented);
  // 8 x 5 squares of 10 mm from the first corner to the last.
  ASSERT_EQ(view.corners.size(), 54U);
  EXPECT_NEAR((view.corners.back().position_px - view.corners.front().position_px).norm(),
              std::hypot(80.0, 50.0) * px_per_mm, 0.05);
  // Numbering unique: corner (0, 0) is the page's top left one.
  EXPECT_LT(view.corners.front().position_px.norm(), view.corners.back().position_px.norm());
}

TEST(Target, ACodedBoardIsReadBack) {
  BoardPattern pattern{9, 6, 10.0, BoardKind::coded};
  const Target target = make_target({.pattern = pattern});
  const BoardView view = find_board(raster(target.svg, 8.0), pattern);
  ASSERT_TRUE(view.found) << view.reason;
  EXPECT_EQ(view.corners.size(), 54U);
  EXPECT_NEAR((view.corners.back().position_px - view.corners.front().position_px).norm(),
              std::hypot(80.0, 50.0) * 8.0, 0.05);
  // What the calibration must be given stands on the page.
  EXPECT_NE(target.svg.find("markers of 6 mm, dictionary 4x4"), std::string::npos);
}

TEST(Target, CirclesLieOnTheirLattice) {
  const Target target = make_target({.pattern = {4, 11, 10.0, BoardKind::staggered}});
  const std::regex dot("M([0-9.]+) ([0-9.]+)a([0-9.]+) ");
  int count = 0;
  for (std::sregex_iterator it(target.svg.begin(), target.svg.end(), dot), end; it != end; ++it) {
    ++count;
    // Half the distance of the nearest circles, sqrt(2) times that of the rows.
    EXPECT_NEAR(2.0 * std::stod((*it)[3]), 0.5 * std::sqrt(2.0) * 10.0, 1e-3);
  }
  EXPECT_EQ(count, 44);
  EXPECT_NE(target.pdf.find(" c\n"), std::string::npos);
}

TEST(Target, PdfHasThePageInPoints) {
  const Target target = make_target({.pattern = {9, 6, 10.0}});
  EXPECT_EQ(target.pdf.rfind("%PDF-1.4", 0), 0U);
  std::smatch box;
  ASSERT_TRUE(
      std::regex_search(target.pdf, box, std::regex("MediaBox \\[0 0 ([0-9.]+) ([0-9.]+)\\]")));
  // One inch is 72 points and 25.4 mm.
  EXPECT_NEAR(std::stod(box[1]) / 72.0 * 25.4, target.width_mm, 1e-3);
  EXPECT_NEAR(std::stod(box[2]) / 72.0 * 25.4, target.height_mm, 1e-3);
  // The cross-reference table points at the objects.
  const std::size_t table = std::stoul(target.pdf.substr(target.pdf.rfind("startxref") + 10));
  EXPECT_EQ(target.pdf.compare(table, 4, "xref"), 0);
  EXPECT_NE(target.pdf.find("PrintScaling /None"), std::string::npos);
}

TEST(Target, SaysWhatPaperCannotDo) {
  EXPECT_FALSE(make_target({.pattern = {9, 6, 1.0}}).findings.empty());
  EXPECT_TRUE(make_target({.pattern = {9, 6, 10.0}}).findings.empty());
  EXPECT_NE(make_target({.pattern = {9, 6, 1.0}}).findings[0].remedy.find("chrome on glass"),
            std::string::npos);
  EXPECT_THROW(make_target({.pattern = {9, 6, 0.01}}), Error);
  EXPECT_THROW(make_target({.pattern = {100, 60, 100.0}}), Error);
}

}  // namespace target_test
}  // namespace trunnion::target
