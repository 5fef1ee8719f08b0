// Whether the empty-stage image fits the set, as prepare and check ask before they use it.
#include "pipeline/empty_stage.h"

#include <gtest/gtest.h>

#include <fstream>
#include <functional>
#include <opencv2/imgproc.hpp>
#include <sstream>

#include "core/error.h"
#include "core/image_io.h"
#include "core/metadata.h"
#include "pipeline/workspace.h"
#include "tests/support/small_set.h"

namespace trunnion {
namespace empty_stage_test {

namespace fs = std::filesystem;

// The set with the fused image of station 0, changed, as its empty stage.
struct Given {
  test::SmallSet set;
  fs::path file;
  ingest::StationImage station;

  explicit Given(const std::function<cv::Mat(cv::Mat)>& change) {
    for (const auto& entry : fs::directory_iterator(set.workspace() / "fused")) {
      if (station.file.empty() || entry.path() < station.file) station.file = entry.path();
    }
    station.source = "fused/" + station.file.filename().string();
    station.info = probe_image(station.file);
    file = set.workspace() / "empty.tif";
    write_image(file, change(read_image(station.file)), {.type = FileType::tiff});
    const fs::path specimen = set.workspace() / "specimen.toml";
    std::ostringstream all;
    all << std::ifstream(specimen).rdbuf();
    std::string text = all.str();
    const std::string table = "[backdrop]\n";
    text.insert(text.find(table) + table.size(), "empty = \"empty.tif\"\n");
    std::ofstream(specimen) << text;
  }
  [[nodiscard]] Workspace workspace() const { return open_workspace(set.workspace(), {}); }
  [[nodiscard]] std::string refusal() const {
    try {
      (void)check_empty_stage(workspace(), station);
    } catch (const Error& error) {
      EXPECT_EQ(error.kind(), Error::Kind::data);
      return error.what();
    }
    return "";
  }
};

cv::Mat as_it_is(cv::Mat image) {
  return image;
}

TEST(EmptyStageFile, OfAnotherSizeOrWithoutColourIsRefusedByNameAndRemedy) {
  const Given small([](const cv::Mat& image) { return image(cv::Rect(0, 0, 120, 80)).clone(); });
  EXPECT_NE(small.refusal().find("empty.tif: the empty-stage image is 120 x 80 pixels, but the "
                                 "set's images are 240 x 160"),
            std::string::npos)
      << small.refusal();
  EXPECT_NE(small.refusal().find("[backdrop] empty"), std::string::npos);
  const Given grey([](cv::Mat image) {
    cv::cvtColor(image, image, cv::COLOR_BGR2GRAY);
    return image;
  });
  EXPECT_NE(grey.refusal().find("is grey, but the set's images are in colour"), std::string::npos)
      << grey.refusal();
  EXPECT_THROW((void)small.set.prepare(), Error);
  EXPECT_FALSE(fs::exists(small.set.prepared() / "images"));
}

TEST(EmptyStageFile, OfEightBitsIsTakenBesideSixteen) {
  const Given given([](cv::Mat image) {
    image.convertTo(image, CV_8U, 1.0 / 257.0);
    return image;
  });
  EXPECT_EQ(given.refusal(), "");
  EXPECT_TRUE(check_empty_stage(given.workspace(), given.station).empty());
  EXPECT_EQ(read_empty_stage(given.workspace())->image.depth(), CV_8U);
}

TEST(EmptyStageFile, WithAnotherProfileIsRefusedAndWithNoneDoubted) {
  const Given given(as_it_is);
  Metadata metadata;
  metadata.icc = std::string("\0\0\0\xC8", 4) + std::string(196, 'a');  // its own length first
  (void)write_metadata(given.station.file, FileType::tiff, metadata);
  ASSERT_FALSE(read_metadata(given.station.file).icc.empty());
  const Findings doubts = check_empty_stage(given.workspace(), given.station);
  ASSERT_EQ(doubts.size(), 1U);
  EXPECT_EQ(doubts[0].severity, Severity::doubt);
  EXPECT_EQ(doubts[0].file, "empty.tif");
  (void)write_metadata(given.file, FileType::tiff, metadata);
  EXPECT_TRUE(check_empty_stage(given.workspace(), given.station).empty());
  metadata.icc.back() = 'b';
  (void)write_metadata(given.file, FileType::tiff, metadata);
  EXPECT_NE(given.refusal().find("another colour profile"), std::string::npos) << given.refusal();
}

}  // namespace empty_stage_test
}  // namespace trunnion
