// Masks painted by hand, in every kind of PNG that painting programs write (W3C PNG, table 11.1).
#include "pipeline/painted_mask.h"

#include <gtest/gtest.h>

#include <cstdint>
#include <fstream>

#include "core/error.h"
#include "tests/support/open_data.h"
#include "tests/support/png_by_hand.h"

namespace trunnion {
namespace painted_mask_test {

namespace fs = std::filesystem;
using test::TemporaryFolder;

// 16 x 4 px whose left half is painted; `row` holds one row's samples, packed.
struct Kind {
  const char* name;
  int bits;
  int colour;  // 0 grey, 2 RGB, 3 palette, 4 grey with alpha, 6 RGB with alpha
  std::string row;
  std::string before;  // PLTE, tRNS
};

constexpr int kWidth = 16;
constexpr int kHeight = 4;

std::string twice(const std::string& painted, const std::string& bare) {
  std::string row;
  for (int x = 0; x < kWidth; ++x) row += x < kWidth / 2 ? painted : bare;
  return row;
}

std::string png_of(const Kind& kind) {
  std::string rows;
  for (int y = 0; y < kHeight; ++y) rows += '\0' + kind.row;
  return test::png_by_hand({kWidth, kHeight}, kind.bits, kind.colour, rows, kind.before);
}

std::vector<Kind> kinds() {
  const auto bytes = [](std::initializer_list<int> values) {
    std::string text;
    for (const int value : values) text += static_cast<char>(value);
    return text;
  };
  const std::string white = bytes({255, 255, 255});
  const std::string black = bytes({0, 0, 0});
  const std::string palette = test::png_chunk("PLTE", black + white);
  const std::string clear = bytes({0});
  const std::string opaque = bytes({255});
  return {
      {"grey 1 bit", 1, 0, bytes({0xFF, 0x00}), ""},
      {"grey 2 bit", 2, 0, bytes({0xFF, 0xFF, 0, 0}), ""},
      {"grey 4 bit", 4, 0, bytes({0xFF, 0xFF, 0xFF, 0xFF, 0, 0, 0, 0}), ""},
      {"grey 8 bit", 8, 0, twice(opaque, clear), ""},
      {"grey 16 bit", 16, 0, twice(bytes({255, 255}), bytes({0, 0})), ""},
      {"RGB 8 bit", 8, 2, twice(white, black), ""},
      {"RGB 16 bit", 16, 2, twice(white + white, black + black), ""},
      {"palette 1 bit", 1, 3, bytes({0xFF, 0x00}), palette},
      {"palette 8 bit", 8, 3, twice(bytes({1}), bytes({0})), palette},
      {"palette with transparency", 8, 3, twice(bytes({0}), bytes({1})),
       palette + test::png_chunk("tRNS", bytes({255, 0}))},
      {"grey with alpha", 8, 4, twice(black.substr(0, 1) + opaque, white.substr(0, 1) + clear), ""},
      {"RGB with alpha", 8, 6, twice(black + opaque, white + clear), ""},
      {"RGB with alpha, opaque all over", 8, 6, twice(white + opaque, black + opaque), ""},
      {"RGB with alpha, 16 bit", 16, 6,
       twice(black + black + opaque + opaque, white + white + clear + clear), ""},
  };
}

fs::path written(const TemporaryFolder& folder, const std::string& bytes) {
  const fs::path file = folder.path() / "a.mask-add.png";
  std::ofstream(file, std::ios::binary) << bytes;
  return file;
}

TEST(PaintedMask, OfEveryKindOfPngIsReadAsAMask) {
  for (const Kind& kind : kinds()) {
    SCOPED_TRACE(kind.name);
    const TemporaryFolder folder;
    const cv::Mat read =
        read_painted_mask(written(folder, png_of(kind)), cv::Size(kWidth, kHeight));
    const cv::Mat coverage =
        mask::apply_user_mask(cv::Mat::zeros(kHeight, kWidth, CV_8U), read, {});
    EXPECT_EQ(cv::countNonZero(coverage.colRange(0, kWidth / 2)), kHeight * kWidth / 2);
    EXPECT_EQ(cv::countNonZero(coverage.colRange(kWidth / 2, kWidth)), 0);
  }
}

TEST(PaintedMask, ThatIsNoneIsRefusedByName) {
  const std::string whole = png_of(kinds()[3]);
  std::string damaged = whole;
  damaged[60] = static_cast<char>(damaged[60] ^ 0x55);
  const std::vector<std::pair<std::string, std::string>> bad{
      {"", "no PNG"},
      {"painted", "no PNG"},
      {"\xFF\xD8\xFF\xE0" + std::string(100, 'x'), "no PNG"},
      {whole.substr(0, 20), "no PNG"},
      {whole.substr(0, 50), "damaged or truncated"},
      {whole.substr(0, whole.size() - 12), "damaged or truncated"},
      {damaged, "damaged or truncated"},
  };
  testing::internal::CaptureStderr();
  for (const auto& [bytes, message] : bad) {
    const TemporaryFolder folder;
    try {
      (void)read_painted_mask(written(folder, bytes), cv::Size(kWidth, kHeight));
      FAIL() << "taken: " << message;
    } catch (const Error& error) {
      EXPECT_EQ(error.kind(), Error::Kind::data);
      EXPECT_NE(std::string(error.what()).find("a.mask-add.png"), std::string::npos);
      EXPECT_NE(std::string(error.what()).find(message), std::string::npos) << error.what();
    }
  }
  EXPECT_EQ(testing::internal::GetCapturedStderr(), "") << "the library speaks past the program";
  const TemporaryFolder folder;
  EXPECT_THROW(read_painted_mask(written(folder, whole), cv::Size(17, 4)), Error);
}

// The mask of an image of kWidth x kHeight px, all specimen.
mask::MaskResult full_mask() {
  mask::MaskResult mask;
  mask.outline = cv::Mat(kHeight, kWidth, CV_8U, cv::Scalar(255));
  mask.coverage = mask.outline;
  mask.measures = mask::measure_mask(mask.outline);
  mask.measures.separation = 3;
  return mask;
}

TEST(PaintedMask, TakenAwayIsANoteThatSaysHowMuch) {
  const TemporaryFolder folder;
  mask::MaskResult mask = full_mask();
  UserMasks user;
  user.subtract = written(folder, png_of(kinds()[0]));
  const HandPainting result = apply_user_masks(mask, user, {});
  EXPECT_TRUE(result.painted);
  EXPECT_EQ(mask.measures.area_px, 32);
  EXPECT_EQ(mask.measures.separation, 3);
  ASSERT_EQ(result.before_subtraction.size(), mask.outline.size());
  EXPECT_EQ(cv::countNonZero(result.before_subtraction), 64);
  ASSERT_EQ(mask.findings.size(), 1U);
  EXPECT_EQ(mask.findings[0].severity, Severity::note);
  EXPECT_NE(mask.findings[0].what.find("0 px added, 32 px removed"), std::string::npos);
}

TEST(PaintedMask, ThatCannotBeReadLeavesTheOtherAndTheMask) {
  const TemporaryFolder folder;
  mask::MaskResult mask = full_mask();
  UserMasks user;
  user.subtract = written(folder, "no picture");
  const HandPainting result = apply_user_masks(mask, user, {});
  EXPECT_FALSE(result.painted);
  EXPECT_EQ(mask.measures.area_px, 64);
  ASSERT_EQ(mask.findings.size(), 1U);
  EXPECT_EQ(mask.findings[0].severity, Severity::doubt);
  EXPECT_NE(mask.findings[0].what.find("is not used"), std::string::npos);
}

// The left half is painted. A prediction that doubts the right half stays, one of the left goes.
TEST(PaintedMask, AnswersAPredictionOnlyWhereItIsDoubted) {
  const TemporaryFolder folder;
  UserMasks user;
  user.subtract = written(folder, png_of(kinds()[0]));
  for (const bool right : {true, false}) {
    mask::MaskResult mask = full_mask();
    mask.measures.predicted_overlap = 0.9;
    mask.measures.predicted_sigma = 0.02;
    mask.measures.doubt_px = cv::Rect(right ? kWidth / 2 : 0, 1, kWidth / 4, 2);
    const HandPainting hand = apply_user_masks(mask, user, {});
    EXPECT_TRUE(hand.painted);
    EXPECT_DOUBLE_EQ(hand.changed_share, 0.5);
    EXPECT_DOUBLE_EQ(mask.measures.predicted_overlap, right ? 0.9 : 0.0);
  }
}

TEST(PaintedMask, AnswersTheDoubtOfAnEmptyMask) {
  const TemporaryFolder folder;
  mask::MaskResult mask = full_mask();
  mask.outline = cv::Mat::zeros(kHeight, kWidth, CV_8U);
  mask.coverage = mask.outline;
  mask.measures = mask::measure_mask(mask.outline);
  mask.findings.push_back({Severity::doubt, "mask", "", "no specimen stands out", ""});
  UserMasks user;
  user.add = written(folder, png_of(kinds()[0]));
  EXPECT_TRUE(apply_user_masks(mask, user, {}).before_subtraction.empty());
  EXPECT_EQ(mask.measures.area_px, 32);
  for (const Finding& finding : mask.findings) EXPECT_EQ(finding.severity, Severity::note);
}

}  // namespace painted_mask_test
}  // namespace trunnion
