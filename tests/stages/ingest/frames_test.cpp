#include "stages/ingest/frames.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "core/files.h"
#include "tests/support/open_data.h"

namespace trunnion::ingest {
namespace frames_test {

using testing::ElementsAre;
using testing::IsEmpty;

void touch(const fs::path& root, const std::vector<std::string>& files) {
  for (const std::string& file : files) write_file(root / file, "x");
}

TEST(IngestFrames, PatternFindsStationAndRingInFoldersAndNames) {
  const test::TemporaryFolder folder;
  touch(folder.path(), {"frames/low/007/b.raw", "frames/low/007/a.raw", "frames/low/007/.hidden",
                        "frames/low/017/c.raw", "frames/high/7/d.raw", "one/low_7.jpg",
                        "one/low_77.jpg", "one/high_007.jpg"});
  const auto found = [&](const std::string& pattern, const std::string& ring, int station) {
    return matching_frames(folder.path(), pattern, ring, station);
  };
  EXPECT_THAT(found("frames/{ring}/{station}/*.raw", "low", 7),
              ElementsAre("frames/low/007/a.raw", "frames/low/007/b.raw"));
  EXPECT_THAT(found("frames/{ring}/{station}/*", "high", 7), ElementsAre("frames/high/7/d.raw"));
  EXPECT_THAT(found("one/{ring}_{station}.jpg", "low", 7), ElementsAre("one/low_7.jpg"));
  EXPECT_THAT(found("one/{ring}_{station}.jpg", "high", 7), ElementsAre("one/high_007.jpg"));
  // The star must not eat the front of a number: station 7 is not the end of 77.
  EXPECT_THAT(found("one/{ring}_*{station}.jpg", "low", 7), ElementsAre("one/low_7.jpg"));
  EXPECT_THAT(found("frames/{ring}/{station}", "low", 7), IsEmpty()) << "a folder is no frame";
  EXPECT_THAT(found("nowhere/{station}.jpg", "low", 7), IsEmpty());
}

StationImage station(int number, int frames = 0) {
  StationImage image;
  image.ring = "low";
  image.station = number;
  image.name = "low_00" + std::to_string(number);
  image.source = "fused/" + image.name + ".tif";
  image.frames = frames;
  return image;
}

TEST(IngestFrames, CountsASeriesButNeverASingleFile) {
  const test::TemporaryFolder folder;
  touch(folder.path(), {"f/0/1.jpg", "f/0/2.jpg", "f/0/3.jpg", "f/1/1.jpg"});
  std::vector<StationImage> images{station(0), station(1), station(2)};
  Findings findings;
  find_frames(folder.path(), "f/{station}/*.jpg", images, findings);
  EXPECT_EQ(images[0].frames, 3);
  EXPECT_EQ(images[0].frame, "f/0/1.jpg");
  EXPECT_EQ(images[1].frames, 1);
  EXPECT_EQ(images[2].frames, 0);
  ASSERT_EQ(findings.size(), 1U);
  EXPECT_EQ(findings[0].what,
            "No frame fits output.frame = \"f/{station}/*.jpg\" for 1 of 3 stations: low_002.");

  std::vector<StationImage> single{station(0)};
  findings.clear();
  find_frames(folder.path(), "f/{station}/2.jpg", single, findings);
  EXPECT_EQ(single[0].frame, "f/0/2.jpg");
  EXPECT_EQ(single[0].frames, 0) << "one file says nothing of the number";
  EXPECT_THAT(findings, IsEmpty());
}

TEST(IngestFrames, WhatIsGivenGoesBeforeWhatIsCountedAndIsQuestioned) {
  const test::TemporaryFolder folder;
  touch(folder.path(), {"f/0/1.jpg", "f/0/2.jpg"});
  std::vector<StationImage> images{station(0, 61)};
  Findings findings;
  find_frames(folder.path(), "f/{station}/*", images, findings);
  EXPECT_EQ(images[0].frames, 61);
  ASSERT_EQ(findings.size(), 1U);
  EXPECT_EQ(findings[0].what,
            "specimen.toml or the capture table gives 61 frames for fused/low_000.tif, but 2 files "
            "match output.frame; 61 is used.");
}

}  // namespace frames_test
}  // namespace trunnion::ingest
