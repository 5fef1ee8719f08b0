#include "stages/ingest/ingest.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <fstream>

#include "core/angle.h"
#include "core/error.h"
#include "core/files.h"
#include "tests/support/open_data.h"

namespace trunnion::ingest {
namespace ingest_test {

using testing::HasSubstr;

class Ingest : public testing::Test {
 protected:
  void image(const std::string& name, int seed, cv::Size size = {40, 30}, int type = CV_8UC3) {
    cv::Mat pixels(size, type);
    cv::RNG random(static_cast<std::uint64_t>(seed) + 1);
    random.fill(pixels, cv::RNG::UNIFORM, 0, 255);
    fs::create_directories((folder_.path() / name).parent_path());
    write_image(folder_.path() / name, pixels, {.compress = false});
  }
  IngestResult run(const std::string& more = "", int stations = 4) {
    const std::string text =
        "setup = \"s.toml\"\n[[ring]]\nname = \"a\"\nstations = " + std::to_string(stations) +
        "\n" +
        (more.find("[captures]") == std::string::npos ? "pattern = \"fused/a_{station}.tif\"\n"
                                                      : "") +
        more;
    const SpecimenFile file = parse_specimen(text, folder_.path() / "specimen.toml");
    return ingest(folder_.path(), file.specimen, file.settings);
  }
  static std::string all(const IngestResult& result) {
    std::string text;
    for (const Finding& finding : result.findings) {
      EXPECT_FALSE(finding.remedy.empty()) << finding.what;
      text += finding.file + ": " + finding.what + "\n";
    }
    return text;
  }
  void four() {
    for (int i = 0; i < 4; ++i) image("fused/a_" + std::to_string(i) + ".tif", i);
  }
  test::TemporaryFolder folder_;
};

TEST_F(Ingest, OrdersStationsAndAngles) {
  four();
  const IngestResult result = run();
  ASSERT_EQ(result.images.size(), 4U);
  EXPECT_EQ(all(result), "");
  EXPECT_EQ(result.images[1].name, "a_001");
  EXPECT_NEAR(degrees(result.images[1].stage_angle), 90.0, 1e-9);
}

TEST_F(Ingest, RefusesOutputNamesThatNoFileSystemTakes) {
  four();
  const auto named = [&](std::size_t bytes) {
    return "[output]\nname = \"" + std::string(bytes - 3, 'n') + "{station}\"\n";
  };
  EXPECT_EQ(run(named(250)).images.size(), 4U);  // .jpeg makes it 255
  try {
    run(named(251));
    FAIL() << "a name of 256 bytes was taken";
  } catch (const Error& error) {
    EXPECT_THAT(error.what(), HasSubstr("256 bytes"));
  }
}

TEST_F(Ingest, AControlCharacterInANameIsAFault) {
  four();
  image("fused/a\n9.tif", 9);
  const IngestResult result = run("[captures]\ntable = \"c.csv\"\n" + [&] {
    std::ofstream(folder_.path() / "c.csv")
        << "file,station\nfused/a_0.tif,0\nfused/a_1.tif,1\nfused/a_2.tif,2\n"
           "\"fused/a\n9.tif\",3\n";
    return std::string();
  }());
  EXPECT_EQ(result.images.size(), 3U);
  EXPECT_THAT(all(result), HasSubstr("control character"));
}

TEST_F(Ingest, NamesAGap) {
  four();
  fs::remove(folder_.path() / "fused/a_2.tif");
  EXPECT_THAT(all(run()), HasSubstr("lacks 1 of 4 stations: 2."));
}

TEST_F(Ingest, NamesAStationFoundTwice) {
  four();
  image("fused/a_02.tif", 9);
  const IngestResult result = run();
  EXPECT_EQ(result.images.size(), 4U);
  EXPECT_THAT(all(result), HasSubstr("are both station 2"));
}

TEST_F(Ingest, NamesAStationBeyondTheRing) {
  four();
  image("fused/a_4.tif", 9);
  EXPECT_THAT(all(run()), HasSubstr("a_4.tif is station 4"));
}

TEST_F(Ingest, NamesMixedSizesAndDepths) {
  four();
  image("fused/a_1.tif", 1, {41, 30});
  image("fused/a_2.tif", 2, {40, 30}, CV_16UC3);
  const IngestResult result = run("", 5);
  EXPECT_THAT(all(result), HasSubstr("a_1.tif is 41 x 30"));
  EXPECT_THAT(all(result), HasSubstr("16 bits, but the set"));
  EXPECT_EQ(result.images.size(), 2U);
}

TEST_F(Ingest, NamesAnIdenticalImage) {
  four();
  fs::copy_file(folder_.path() / "fused/a_0.tif", folder_.path() / "fused/a_3.tif",
                fs::copy_options::overwrite_existing);
  const IngestResult result = run();
  EXPECT_THAT(all(result), HasSubstr("a_3.tif is identical to fused/a_0.tif"));
  EXPECT_EQ(result.images.size(), 3U);
}

// A sample that agrees is not enough.
TEST_F(Ingest, KeepsImagesThatAreAlikeInTheMiddleOnly) {
  for (int i = 0; i < 4; ++i) image("fused/a_" + std::to_string(i) + ".tif", 1, {40, 300});
  cv::Mat other = read_image(folder_.path() / "fused/a_0.tif");
  other.at<cv::Vec3b>(2, 3)[0] ^= 1;
  write_image(folder_.path() / "fused/a_2.tif", other, {.compress = false});
  const IngestResult result = run();
  ASSERT_EQ(result.images.size(), 2U);
  EXPECT_EQ(result.images[0].station, 0);
  EXPECT_EQ(result.images[1].station, 2);
}

TEST_F(Ingest, NamesAnUnreadableImageAndKeepsTheOthers) {
  four();
  std::ofstream(folder_.path() / "fused/a_1.tif", std::ios::trunc) << "II*";
  const IngestResult result = run();
  EXPECT_THAT(all(result), HasSubstr("a_1.tif"));
  EXPECT_EQ(result.images.size(), 3U);
}

TEST_F(Ingest, TakesAnglesFromACaptureTable) {
  four();
  std::ofstream(folder_.path() / "c.csv")
      << "file,station,angle_deg\nfused/a_0.tif,0,0\nfused/a_1.tif,1,91.5\n";
  const IngestResult result = run("[captures]\ntable = \"c.csv\"\n", 2);
  ASSERT_EQ(result.images.size(), 2U);
  EXPECT_NEAR(degrees(result.images[1].stage_angle), 91.5, 1e-9);
}

TEST_F(Ingest, RefusesATableWithAnUnknownRing) {
  std::ofstream(folder_.path() / "c.csv") << "file,ring,station\nfused/a_0.tif,b,0\n";
  EXPECT_THROW(run("[captures]\ntable = \"c.csv\"\n"), Error);
}

TEST_F(Ingest, SaysWhyNothingIsUsable) {
  fs::create_directories(folder_.path() / "fused");
  EXPECT_THROW(run(), Error);
}

}  // namespace ingest_test
}  // namespace trunnion::ingest
