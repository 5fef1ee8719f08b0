// Sets whose images are of kinds that are easily read wrongly, through the whole of prepare.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <fstream>
#include <opencv2/imgproc.hpp>

#include "core/files.h"
#include "core/image_io.h"
#include "tests/support/small_set.h"
#include "tests/support/tiff_matrix.h"

namespace trunnion {
namespace prepare_decoding_test {

using testing::HasSubstr;

demo::DemoOptions four_stations(FileType type, int bits) {
  demo::DemoOptions options = test::SmallSet::small_options();
  options.stations = 4;
  options.type = type;
  options.bits = bits;
  return options;
}

std::vector<fs::path> files_in(const fs::path& folder) {
  std::vector<fs::path> files;
  for (const auto& entry : fs::directory_iterator(folder)) files.push_back(entry.path());
  std::sort(files.begin(), files.end());
  return files;
}

std::string sentences(const Findings& findings, Severity least) {
  std::string text;
  for (const Finding& finding : findings) {
    if (finding.severity >= least) text += finding.what + "\n";
  }
  return text;
}

void expect_same_images(const test::SmallSet& a, const test::SmallSet& b, double most = 0.0) {
  for (const fs::path& file : files_in(a.prepared() / "images")) {
    const cv::Mat expected = read_image(file);
    const cv::Mat found = read_image(b.prepared() / "images" / file.filename());
    ASSERT_EQ(found.type(), expected.type());
    EXPECT_LE(cv::norm(found, expected, cv::NORM_INF), most) << file;
  }
}

TEST(PrepareDecoding, PlanesTilesAndBigTiffGiveTheImagesOfPlainStrips) {
  const test::SmallSet plain(true, four_stations(FileType::tiff, 16));
  (void)plain.prepare();
  const test::SmallSet other(true, four_stations(FileType::tiff, 16));
  unsigned k = 0;
  for (const fs::path& file : files_in(other.workspace() / "fused")) {
    cv::Mat samples;
    cv::cvtColor(read_image(file), samples, cv::COLOR_BGR2RGB);
    test::TiffCase c;
    c.planes = true;
    c.tiles = k % 2 == 1;
    c.big_endian = k % 3 == 1;
    c.big_tiff = k == 2;
    c.compression = static_cast<std::uint16_t>(k % 2 == 0 ? 8 : 1);  // deflate, plain
    write_tiff_case(file, c, samples);
    ++k;
  }
  const PrepareOutcome outcome = other.prepare();
  EXPECT_EQ(sentences(outcome.findings, Severity::fault), "");
  expect_same_images(plain, other);
}

TEST(PrepareDecoding, AlphaNoneLeavesOutTheAlphaOfTheSource) {
  for (const FileType type : {FileType::tiff, FileType::png}) {
    const test::SmallSet plain(true, four_stations(type, 16));
    (void)plain.prepare();
    const test::SmallSet other(true, four_stations(type, 16));
    for (const fs::path& file : files_in(other.workspace() / "fused")) {
      cv::Mat four;
      cv::cvtColor(read_image(file), four, cv::COLOR_BGR2BGRA);
      cv::Mat half(four.size(), CV_16U, cv::Scalar(30000));
      cv::insertChannel(half, four, 3);
      write_image(file, four, {.type = type});
    }
    const PrepareOutcome outcome = other.prepare();
    EXPECT_THAT(sentences(outcome.findings, Severity::note), HasSubstr("alpha channel"));
    expect_same_images(plain, other, 1.0);  // of 65535; why it is not 0 is not known
  }
}

TEST(PrepareDecoding, GreyWithAlphaIsWrittenAsGrey) {
  const test::SmallSet set(true, four_stations(FileType::tiff, 8));
  for (const fs::path& file : files_in(set.workspace() / "fused")) {
    cv::Mat grey;
    cv::cvtColor(read_image(file), grey, cv::COLOR_BGR2GRAY);
    cv::Mat samples;
    cv::merge(std::vector<cv::Mat>{grey, cv::Mat(grey.size(), CV_8U, cv::Scalar(255))}, samples);
    test::TiffCase c;
    c.samples = 2;
    c.bits = 8;
    write_tiff_case(file, c, samples);
  }
  const PrepareOutcome outcome = set.prepare();
  EXPECT_EQ(sentences(outcome.findings, Severity::fault), "");
  const auto files = files_in(set.prepared() / "images");
  ASSERT_EQ(files.size(), 4U);
  EXPECT_EQ(probe_image(files.front()).channels, 1);
}

TEST(PrepareDecoding, DamagedJpegIsAFaultOfThatImageOnly) {
  const test::SmallSet set(true, four_stations(FileType::jpeg, 8));
  const fs::path file = files_in(set.workspace() / "fused")[1];
  std::string bytes = read_file(file);
  for (std::size_t i = bytes.size() / 3; i < bytes.size() / 3 + 200; ++i) bytes[i] ^= '\xFF';
  std::ofstream(file, std::ios::binary) << bytes;
  for (const char* command : {"check", "prepare"}) {
    const test::ProgramRun run = test::run_trunnion({command, set.workspace().string(), "--quiet"});
    EXPECT_EQ(run.exit_code, 1) << command;
    EXPECT_THAT(run.out + run.err, HasSubstr(file.filename().string())) << command;
    EXPECT_THAT(run.out + run.err, HasSubstr("damaged JPEG")) << command;
  }
  EXPECT_EQ(files_in(set.prepared() / "images").size(), 3U);
}

TEST(PrepareDecoding, ChromaOfAJpegKeepsItsResolution) {
  for (const ChromaSampling chroma : {ChromaSampling{1, 1}, ChromaSampling{2, 2}}) {
    const test::SmallSet set(true, four_stations(FileType::jpeg, 8));
    for (const fs::path& file : files_in(set.workspace() / "fused")) {
      write_image(file, read_image(file), {.type = FileType::jpeg, .chroma = chroma});
    }
    (void)set.prepare();
    for (const fs::path& file : files_in(set.prepared() / "images")) {
      EXPECT_EQ(probe_image(file).chroma, chroma);
    }
  }
}

}  // namespace prepare_decoding_test
}  // namespace trunnion
