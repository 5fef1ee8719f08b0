#include "pipeline/desk/strokes.h"

#include <gtest/gtest.h>

#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>

#include "core/files.h"
#include "core/image_io.h"
#include "pipeline/painted_mask.h"
#include "stages/mask/mask.h"
#include "tests/support/open_data.h"

namespace trunnion::desk {
namespace strokes_test {

const cv::Size kSize(200, 120);

Stroke line(Paint paint, cv::Point2d from, cv::Point2d to, double radius = 4) {
  return {paint, radius, {from, to}};
}

struct Station {
  test::TemporaryFolder folder;
  fs::path fused = folder.path() / "low_000.png";
  [[nodiscard]] fs::path file(const char* kind) const {
    return folder.path() / (std::string("low_000.mask-") + kind + ".png");
  }
  [[nodiscard]] cv::Mat mask(const char* kind) const {
    if (!fs::exists(file(kind))) return cv::Mat::zeros(kSize, CV_8U);
    return read_painted_mask(file(kind), kSize);
  }
};

void draw(StationPaint& paint, const Stroke& stroke, const std::string& page = "one") {
  paint.paint(page, stroke.paint, region_of(stroke, kSize));
}

bool equal(const cv::Mat& a, const cv::Mat& b) {
  return a.size() == b.size() && cv::countNonZero(a != b) == 0;
}

// Area of a stadium: two half discs and the rectangle between them.
TEST(DeskStrokes, CoverTheDiscsAndWhatLiesBetween) {
  const Region region = region_of(line(Paint::add, {50, 60}, {150, 60}, 10), kSize);
  EXPECT_NEAR(cv::countNonZero(region.mask), 3.14159 * 100 + 20 * 100, 140);
  EXPECT_EQ(region.mask.at<uchar>(60 - region.place.y, 100 - region.place.x), 255);
  EXPECT_EQ(region.mask.at<uchar>(60 + 12 - region.place.y - 1, 100 - region.place.x), 0);
  EXPECT_TRUE(region_of(line(Paint::add, {900, 900}, {950, 950}), kSize).place.empty());
}

TEST(DeskStrokes, AreTheFilesThatPrepareReads) {
  const Station station;
  StationPaint paint(station.fused, kSize);
  draw(paint, line(Paint::add, {20, 20}, {80, 20}));
  draw(paint, line(Paint::subtract, {20, 90}, {80, 90}));
  const UserMasks found = find_user_masks(station.fused);
  ASSERT_TRUE(found.add && found.subtract);
  cv::Mat coverage(kSize, CV_8U, cv::Scalar(100));
  coverage = mask::apply_user_mask(coverage, read_painted_mask(*found.add, kSize),
                                   read_painted_mask(*found.subtract, kSize));
  EXPECT_EQ(coverage.at<uchar>(20, 50), 255);
  EXPECT_EQ(coverage.at<uchar>(90, 50), 0);
  EXPECT_EQ(coverage.at<uchar>(60, 150), 100);
}

TEST(DeskStrokes, TheLastStrokeOverAPixelDecides) {
  const Station station;
  StationPaint paint(station.fused, kSize);
  draw(paint, line(Paint::add, {20, 50}, {180, 50}));
  draw(paint, line(Paint::subtract, {100, 10}, {100, 110}));
  EXPECT_EQ(station.mask("add").at<uchar>(50, 100), 0);
  EXPECT_EQ(station.mask("subtract").at<uchar>(50, 100), 255);
  draw(paint, line(Paint::erase, {0, 0}, {199, 119}, 400));
  EXPECT_FALSE(fs::exists(station.file("add")));
  EXPECT_FALSE(fs::exists(station.file("subtract")));
}

TEST(DeskStrokes, UndoAndRedoGiveTheSamePixelsBack) {
  const Station station;
  StationPaint paint(station.fused, kSize);
  draw(paint, line(Paint::add, {20, 50}, {180, 50}));
  const cv::Mat one = station.mask("add");
  draw(paint, line(Paint::subtract, {100, 10}, {100, 110}));
  const cv::Mat two = station.mask("add");
  EXPECT_TRUE(paint.undo("one"));
  EXPECT_TRUE(equal(station.mask("add"), one));
  EXPECT_FALSE(fs::exists(station.file("subtract")));
  EXPECT_TRUE(paint.redo("one"));
  EXPECT_TRUE(equal(station.mask("add"), two));
  EXPECT_FALSE(paint.redo("one"));
  EXPECT_TRUE(paint.undo("one") && paint.undo("one"));
  EXPECT_FALSE(paint.undo("one"));
  EXPECT_FALSE(fs::exists(station.file("add")));
}

TEST(DeskStrokes, TwoPagesLoseNoStrokeAndUndoOnlyTheirOwn) {
  const Station station;
  StationPaint paint(station.fused, kSize);
  draw(paint, line(Paint::add, {20, 20}, {180, 20}), "one");
  draw(paint, line(Paint::add, {20, 60}, {180, 60}), "two");
  EXPECT_TRUE(paint.undo("one"));
  EXPECT_EQ(station.mask("add").at<uchar>(20, 100), 0);
  EXPECT_EQ(station.mask("add").at<uchar>(60, 100), 255);
  EXPECT_FALSE(paint.undo("one"));
  EXPECT_TRUE(paint.redo("one"));
  EXPECT_EQ(station.mask("add").at<uchar>(20, 100), 255);
  EXPECT_EQ(station.mask("add").at<uchar>(60, 100), 255);
}

TEST(DeskStrokes, WhatAnotherProgramPaintedStays) {
  const Station station;
  StationPaint paint(station.fused, kSize);
  draw(paint, line(Paint::add, {20, 20}, {180, 20}));
  cv::Mat other = cv::Mat::zeros(kSize, CV_8UC4);  // painted opaque on transparent
  cv::rectangle(other, {10, 70, 50, 30}, {0, 0, 0, 255}, cv::FILLED);
  cv::imwrite(station.file("add").string(), other);
  draw(paint, line(Paint::add, {100, 110}, {180, 110}));
  EXPECT_EQ(station.mask("add").at<uchar>(80, 20), 255);
  EXPECT_EQ(station.mask("add").at<uchar>(110, 150), 255);
  EXPECT_TRUE(paint.undo("one"));
  EXPECT_FALSE(paint.undo("one"));
  EXPECT_EQ(station.mask("add").at<uchar>(80, 20), 255);
}

// A bright plate of known outline on a noisy dark ground; one short stroke on it fills it.
TEST(DeskStrokes, FillFollowsTheContrast) {
  cv::Mat image(240, 320, CV_8UC3, cv::Scalar(40, 44, 48));
  cv::Mat truth = cv::Mat::zeros(image.size(), CV_8U);
  cv::ellipse(truth, {160, 120}, {60, 25}, 20, 0, 360, 255, cv::FILLED);
  image.setTo(cv::Scalar(120, 160, 190), truth);
  cv::Mat noise(image.size(), CV_8UC3);
  cv::RNG random(7);
  random.fill(noise, cv::RNG::UNIFORM, 0, 16);
  image += noise;
  Stroke stroke = line(Paint::add, {140, 113}, {180, 127}, 8);
  stroke.fill = true;
  const Region region = fill_of(stroke, image);
  cv::Mat found = cv::Mat::zeros(image.size(), CV_8U);
  found(region.place).setTo(255, region.mask);
  const double both = cv::countNonZero(found & truth);
  const double any = cv::countNonZero(found | truth);
  EXPECT_GT(both / any, 0.97);
  const Region again = fill_of(stroke, image);
  EXPECT_TRUE(equal(region.mask, again.mask));
}

TEST(DeskStrokes, FillWhereNothingDiffersIsTheStroke) {
  const cv::Mat flat(240, 320, CV_8UC3, cv::Scalar(90, 90, 90));
  Stroke stroke = line(Paint::add, {140, 113}, {180, 127}, 8);
  const Region region = fill_of(stroke, flat);
  cv::Mat found = cv::Mat::zeros(flat.size(), CV_8U);
  found(region.place).setTo(255, region.mask);
  const Region plain = region_of(stroke, flat.size());
  EXPECT_EQ(cv::countNonZero(plain.mask & ~found(plain.place)), 0);
}

}  // namespace strokes_test
}  // namespace trunnion::desk
