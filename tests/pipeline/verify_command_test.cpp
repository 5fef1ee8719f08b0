// verify on a prepared set: all fits after a run, and whatever is done to any kind of output is
// found and named.
#include <fmt/format.h>
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cstring>
#include <fstream>
#include <functional>
#include <map>

#include "core/files.h"
#include "core/image_io.h"
#include "core/metadata.h"
#include "pipeline/journal.h"
#include "pipeline/output_store.h"
#include "tests/support/small_set.h"

namespace trunnion {
namespace verify_command_test {

using testing::HasSubstr;

class VerifyCommand : public testing::Test {
 protected:
  static void SetUpTestSuite() {
    demo::DemoOptions options = test::SmallSet::small_options();
    options.stations = 6;
    set_ = std::make_unique<test::SmallSet>(true, options);
    std::string toml = "[output]\nsidecar = true\ncompress = false\n";
    for (const char* name : {"matrix", "views", "document"}) {
      toml += fmt::format(
          "[[output.template]]\nfile = \"{}\"\nname = \"text/{}.{}\"\ny_axis = \"up\"\n", name,
          name, std::string(name) == "document" ? "xml" : "txt");
    }
    set_->add_settings(toml);
    (void)set_->prepare();
  }
  static void TearDownTestSuite() { set_.reset(); }

  // A copy to spoil.
  void SetUp() override {
    for (const char* part : {"specimen", "setups"}) {
      fs::copy(set_->root() / part, folder_.path() / part, fs::copy_options::recursive);
    }
  }
  [[nodiscard]] fs::path workspace() const { return folder_.path() / "specimen"; }
  [[nodiscard]] std::string verify() const {
    const auto run = test::run_trunnion({"verify", workspace().string()});
    EXPECT_EQ(run.err, "");
    EXPECT_TRUE(run.exit_code == 0 || run.exit_code == 1);
    EXPECT_EQ(run.exit_code == 0, run.out.find("Everything agrees.") != std::string::npos);
    return run.out;
  }
  // Makes the journal believe that the file was written as it stands.
  void record(const std::string& file) const {
    Journal journal(workspace() / ".trunnion/journal.sqlite");
    OutputStore(journal, workspace(), false).record(file, "test");
  }

  static std::unique_ptr<test::SmallSet> set_;
  test::TemporaryFolder folder_;
};
std::unique_ptr<test::SmallSet> VerifyCommand::set_;

TEST_F(VerifyCommand, EverythingFitsAndNothingIsStrange) {
  const std::string said = verify();
  EXPECT_THAT(said, HasSubstr("Everything agrees."));
  EXPECT_THAT(said, HasSubstr("3 files from templates compared"));
  EXPECT_THAT(said, testing::Not(HasSubstr("not belong to this run")))
      << "the report is recorded too";
}

TEST_F(VerifyCommand, AlsoAfterTheReportWasMadeAgain) {
  ASSERT_EQ(test::run_trunnion({"report", workspace().string()}).exit_code, 0);
  EXPECT_THAT(verify(), HasSubstr("Everything agrees."));
}

// Every file of prepared/, whatever its kind: deleted, cut short, one bit turned. All files at
// once, and each must be named.
TEST_F(VerifyCommand, DeletedTruncatedAndChangedFilesAreNamed) {
  std::map<std::string, std::string> whole;
  for (const auto& [file, hash] : test::hashes_below(workspace() / "prepared")) {
    whole["prepared/" + file] = read_file(workspace() / "prepared" / file);
  }
  EXPECT_GE(whole.size(), 40U);
  const auto put = [&](const std::string& file, const std::string& bytes) {
    std::ofstream(workspace() / file, std::ios::binary) << bytes;
  };
  for (const auto& [file, bytes] : whole) put(file, bytes.substr(0, bytes.size() / 2));
  const std::string cut = verify();
  for (const auto& [file, bytes] : whole) {
    std::string turned = bytes;
    turned[bytes.size() / 3] = static_cast<char>(turned[bytes.size() / 3] ^ 1);
    put(file, turned);
  }
  const std::string turned = verify();
  for (const auto& [file, bytes] : whole) fs::remove(workspace() / file);
  const std::string gone = verify();
  for (const auto& [file, bytes] : whole) {
    put(file, bytes);
    EXPECT_THAT(cut, HasSubstr(fmt::format("{}: The file has {} bytes, but {} were recorded.", file,
                                           bytes.size() / 2, bytes.size())));
    EXPECT_THAT(turned, HasSubstr(file + ": The content differs from what was recorded"));
    EXPECT_THAT(gone, HasSubstr(file + ": The file is recorded but missing."));
  }
  EXPECT_THAT(verify(), HasSubstr("Everything agrees."));
}

TEST_F(VerifyCommand, OnePixelIsFound) {
  const std::string file = "prepared/images/mid_002.tif";
  // Uncompressed: the strips stand in front, one sample of one pixel is two bytes.
  std::fstream stream(workspace() / file, std::ios::in | std::ios::out | std::ios::binary);
  stream.seekg(4000);
  char byte = 0;
  stream.get(byte);
  stream.seekp(4000);
  stream.put(static_cast<char>(byte ^ 1));
  stream.close();
  EXPECT_THAT(verify(), HasSubstr(file + ": The content differs"));
}

// Tags changed by a program that keeps the file sound, and the journal deceived as well.
TEST_F(VerifyCommand, ATagIsFoundEvenWhereTheJournalIsDeceived) {
  const std::string file = "prepared/images/mid_001.tif";
  struct Change {
    std::function<void(Metadata&)> change;
    const char* said;
  };
  const std::vector<Change> changes{
      {[](Metadata& m) { m.exif["Exif.Image.Orientation"] = std::uint16_t{6}; },
       "Exif Orientation"},
      {[](Metadata& m) { m.exif["Exif.Photo.FocalLength"] = Exiv2::URational(100, 3); },
       "Exif FocalLength"},
      {[](Metadata& m) { m.exif["Exif.Photo.FocalPlaneXResolution"] = Exiv2::URational(100, 3); },
       "Exif FocalPlaneXResolution"},
      {[](Metadata& m) { m.exif["Exif.Photo.ImageUniqueID"] = "00112233445566778899aabbccddeeff"; },
       "Exif ImageUniqueID"},
      {[](Metadata& m) { m.xmp["Xmp.trunnion.StageAngle_deg"] = "11"; }, "XMP StageAngle_deg"},
      {[](Metadata& m) { m.xmp["Xmp.trunnion.PrincipalPointX_px"] = "11"; },
       "XMP PrincipalPointX_px"},
      {[](Metadata& m) { m.xmp["Xmp.trunnion.MaskFile"] = "masks/mid_002.png"; }, "XMP MaskFile"},
      {[](Metadata& m) { m.xmp["Xmp.trunnion.CalibrationHash"] = "0"; }, "XMP CalibrationHash"},
      {[](Metadata& m) { m.xmp["Xmp.trunnion.Translation_mm[1]"] = "1"; }, "XMP Translation_mm"}};
  const std::string whole = read_file(workspace() / file);
  for (const Change& each : changes) {
    std::ofstream(workspace() / file, std::ios::binary) << whole;
    Metadata metadata = read_metadata(workspace() / file);
    each.change(metadata);
    (void)write_metadata(workspace() / file, FileType::tiff, metadata);
    record(file);
    EXPECT_THAT(verify(), HasSubstr(fmt::format("{}: {} does not agree with cameras.json.", file,
                                                each.said)));
  }
}

// One number of each format changed in its fourth digit, and the journal deceived as well: the
// number at `place` behind `before`, counted from 0.
TEST_F(VerifyCommand, ANumberOfEachFormatIsFoundEvenWhereTheJournalIsDeceived) {
  struct Number {
    const char* file;
    std::string before;
    std::vector<int> places;
  };
  const std::vector<Number> numbers{
      {"cameras.json", "\"rotation\":", {0, 8}},
      {"cameras.json", "\"translation_mm\":", {1}},
      {"cameras.json", "\"fx_px\":", {0}},
      {"exterior.csv", "images/mid_000.tif,", {0, 1, 2, 3, 4, 5}},
      {"exterior.csv", "; fx ", {0, 1}},
      {"poses_matrix.csv", "images/mid_000.tif,", {0, 4, 8, 9, 10, 11}},
      {"poses_matrix.csv", "; cx ", {0, 1}},
      {"poses_quaternion.csv", "images/mid_000.tif,", {0, 1, 2, 3, 4, 5, 6}},
      {"cameras.gltf", "\"translation\":", {0, 1, 2}},
      {"cameras.gltf", "\"rotation\":", {0, 1, 2, 3}},
      {"cameras.gltf", "\"yfov\":", {0}},
      {"cameras.gltf", "\"aspectRatio\":", {0}},
      {"camera.yml", "\ncamera_matrix:", {2, 4, 6, 7}},  // 0 and 1: rows, columns
      {"camera.yml", "source_distortion_coefficients:", {2}},
      {"centres.ply", "end_header\n", {0, 1, 2}},
      {"scale.csv", "images/mid_001.tif,", {0}},
      {"text/matrix.txt", "images/mid_000.tif ", {0, 5, 11}},
      {"text/views.txt", "quaternion w x y z: ", {0, 3}},
      {"text/views.txt", "world, X Y Z: ", {0, 2}},
      {"text/document.xml", "<translation>", {2}},
      {"text/document.xml", "kappa=\"", {0}}};
  const auto number_at = [](const std::string& text, const std::string& before, int place) {
    std::size_t at = text.find(before);
    EXPECT_NE(at, std::string::npos) << before;
    at += before.size();
    for (int i = 0;; ++i) {
      at = text.find_first_of("0123456789", at);
      if (at > 0 && text[at - 1] == '-') --at;
      char* end = nullptr;
      std::strtod(text.c_str() + at, &end);
      const auto length = static_cast<std::size_t>(end - (text.c_str() + at));
      if (i == place) return std::pair(at, length);
      at += length;
    }
  };
  std::map<std::string, std::string> whole;
  for (const Number& each : numbers) {
    const std::string file = std::string("prepared/") + each.file;
    whole[file] = read_file(workspace() / file);
  }
  const auto change = [&](const Number& each, int place) {
    const std::string file = std::string("prepared/") + each.file;
    const auto [at, length] = number_at(whole[file], each.before, place);
    const double value = std::stod(whole[file].substr(at, length));
    std::string changed = whole[file];
    changed.replace(at, length, fmt::format("{}", value + std::max(2e-3, std::abs(value) * 1e-3)));
    write_file(workspace() / file, changed);
    record(file);
    return file;
  };
  const auto restore = [&] {
    for (const auto& [file, bytes] : whole) {
      write_file(workspace() / file, bytes);
      record(file);
    }
  };
  // Where cameras.json itself is changed the others disagree with it; else a change of one file
  // hides none of another, so several are changed for each run: the next number of every file.
  std::map<std::string, std::vector<std::pair<const Number*, int>>> of_file;
  for (const Number& each : numbers) {
    for (const int place : each.places) {
      if (std::string(each.file) == "cameras.json") {
        (void)change(each, place);
        EXPECT_THAT(verify(), HasSubstr("fault: prepared/")) << each.before << place;
        restore();
      } else {
        of_file[each.file].emplace_back(&each, place);
      }
    }
  }
  bool more = true;
  for (std::size_t round = 0; more; ++round) {
    more = false;
    std::vector<std::pair<std::string, std::string>> changed;
    for (const auto& [name, places] : of_file) {
      if (round >= places.size()) continue;
      more = true;
      const auto& [number, place] = places[round];
      changed.emplace_back(change(*number, place), fmt::format("{} {}", number->before, place));
    }
    if (!more) break;
    const std::string said = verify();
    for (const auto& [file, what] : changed) {
      EXPECT_THAT(said, HasSubstr("fault: " + file)) << what;
    }
    restore();
  }
  EXPECT_THAT(verify(), HasSubstr("Everything agrees."));
}

TEST_F(VerifyCommand, SidecarsAreComparedToo) {
  const std::string file = "prepared/images/mid_003.xmp";
  std::string text = read_file(workspace() / file);
  const std::size_t at = text.find("StageAngle_deg=\"");
  ASSERT_NE(at, std::string::npos);
  text.insert(at + std::strlen("StageAngle_deg=\""), "1");
  write_file(workspace() / file, text);
  record(file);
  EXPECT_THAT(verify(), HasSubstr(file + ": XMP StageAngle_deg does not agree"));
}

}  // namespace verify_command_test
}  // namespace trunnion
