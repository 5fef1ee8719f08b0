// A corpus of bad inputs, given to the built program as a user would: each must end with a clear
// sentence that names the file, exit code 1 (2 for a wrong call), and nothing written over.
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <sys/stat.h>

#include <algorithm>
#include <cctype>
#include <fstream>
#include <functional>

#include "core/files.h"
#include "tests/support/bad_images.h"
#include "tests/support/bad_texts.h"
#include "tests/support/small_set.h"

namespace trunnion {
namespace bad_inputs_test {

using test::ProgramRun;
using testing::AnyOf;
using testing::HasSubstr;
using testing::Not;

constexpr int kWidth = 180;
constexpr int kHeight = 144;

// Four small images of one file type, made once.
const test::SmallSet& set_of(FileType type) {
  const auto make = [](FileType each) {
    demo::DemoOptions options = test::SmallSet::small_options();
    options.stations = 4;
    options.width_px = kWidth;
    options.height_px = kHeight;
    options.type = each;
    options.bits = each == FileType::jpeg ? 8 : 16;
    return std::make_unique<test::SmallSet>(true, options);
  };
  static const auto tiff = make(FileType::tiff);
  static const auto png = make(FileType::png);
  static const auto jpeg = make(FileType::jpeg);
  return type == FileType::tiff ? *tiff : type == FileType::png ? *png : *jpeg;
}

FileType type_of(const std::string& extension) {
  return extension == ".tif"   ? FileType::tiff
         : extension == ".png" ? FileType::png
                               : FileType::jpeg;
}

// A copy of a small set of its own, to be spoilt.
struct Copy {
  explicit Copy(FileType type = FileType::tiff) {
    fs::copy(set_of(type).root(), folder.path() / "set", fs::copy_options::recursive);
  }
  [[nodiscard]] fs::path root() const { return folder.path() / "set"; }
  [[nodiscard]] fs::path specimen() const { return root() / "specimen"; }
  test::TemporaryFolder folder;
};

bool printable(const std::string& text) {
  return std::all_of(text.begin(), text.end(),
                     [](char c) { return c == '\n' || static_cast<unsigned char>(c) >= 0x20U; });
}

// Runs a command on a spoilt set and checks what holds for every bad input.
ProgramRun expect_refused(const Copy& copy, const std::vector<std::string>& words,
                          const std::string& named, int exit_code = 1) {
  const auto before = test::hashes_below(copy.root());
  const ProgramRun run = test::run_trunnion(words);
  const std::string message = run.out + run.err;
  EXPECT_EQ(run.exit_code, exit_code) << message;
  EXPECT_THAT(message, HasSubstr(named));
  EXPECT_TRUE(printable(message)) << message;
  for (const char* inner : {"std::", "terminate", "basic_string", "OpenCV(", "assert", "what():"}) {
    EXPECT_THAT(message, Not(HasSubstr(inner)));
  }
  const auto after = test::hashes_below(copy.root());
  for (const auto& [file, hash] : before) {
    const auto found = after.find(file);
    EXPECT_TRUE(found != after.end() && found->second == hash) << file << " was written over";
  }
  if (std::getenv("TRUNNION_SHOW_CORPUS") != nullptr) std::cout << "  " << message << '\n';
  return run;
}

std::string good_record() {
  return read_file(set_of(FileType::tiff).root() / "setups/demo.calibration.json");
}

TEST(BadInputs, SlowEveryBadImageIsNamedAndTheOthersArePrepared) {
  for (const test::BadImage& bad : test::bad_images(kWidth, kHeight)) {
    SCOPED_TRACE(bad.name);
    const Copy copy(type_of(bad.extension));
    const std::string name = "mid_001" + bad.extension;
    std::ofstream(copy.specimen() / "fused" / name, std::ios::binary | std::ios::trunc)
        << bad.bytes;
    const ProgramRun run = expect_refused(copy, {"prepare", copy.specimen()}, name);
    EXPECT_TRUE(fs::exists(copy.specimen() / "prepared/images" / ("mid_002" + bad.extension)))
        << "one bad file must not stop the others";
    EXPECT_FALSE(fs::exists(copy.specimen() / "prepared/images" / name)) << run.out;
  }
}

TEST(BadInputs, SpecialFilesInThePlaceOfAnImage) {
  const std::vector<std::pair<std::string, std::function<void(const fs::path&)>>> kinds{
      {"folder", [](const fs::path& path) { fs::create_directory(path); }},
      {"pipe", [](const fs::path& path) { ASSERT_EQ(mkfifo(path.c_str(), 0600), 0); }},
      {"device", [](const fs::path& path) { fs::create_symlink("/dev/zero", path); }},
      {"dangling link", [](const fs::path& path) { fs::create_symlink("nowhere.tif", path); }},
      {"link to itself", [](const fs::path& path) { fs::create_symlink(path.filename(), path); }},
  };
  for (const auto& [kind, make] : kinds) {
    SCOPED_TRACE(kind);
    const Copy copy;
    fs::remove(copy.specimen() / "fused/mid_001.tif");
    make(copy.specimen() / "fused/mid_001.tif");
    const ProgramRun run = test::run_trunnion({"prepare", copy.specimen(), "--quiet"});
    EXPECT_EQ(run.exit_code, 1);
    EXPECT_THAT(run.out + run.err, AnyOf(HasSubstr("mid_001.tif"), HasSubstr("station 1")));
    EXPECT_TRUE(fs::exists(copy.specimen() / "prepared/images/mid_002.tif"));
  }
}

TEST(BadInputs, EveryBadSpecimenFileIsNamedWithWhatIsWrong) {
  for (const test::BadText& bad : test::bad_specimens()) {
    SCOPED_TRACE(bad.name);
    const Copy copy;
    write_file(copy.specimen() / "specimen.toml", bad.text);
    const ProgramRun run = expect_refused(copy, {"prepare", copy.specimen()}, bad.message);
    EXPECT_FALSE(fs::exists(copy.specimen() / "prepared/images")) << run.out << run.err;
  }
}

TEST(BadInputs, EveryBadSetupIsNamedWithWhatIsWrong) {
  for (const test::BadText& bad : test::bad_setups()) {
    SCOPED_TRACE(bad.name);
    const Copy copy;
    fs::remove(copy.root() / "setups/demo.calibration.json");
    write_file(copy.root() / "setups/demo.toml", bad.text);
    expect_refused(copy, {"prepare", copy.specimen()}, bad.message);
  }
}

TEST(BadInputs, EveryBadCaptureTableIsNamedWithTheLine) {
  for (const test::BadText& bad : test::bad_capture_tables()) {
    SCOPED_TRACE(bad.name);
    const Copy copy;
    write_file(copy.specimen() / "specimen.toml",
               test::specimen_text("name = \"mid\"\nelevation_deg = 20\nstations = 4\n",
                                   "[captures]\ntable = \"captures.csv\"\n"));
    write_file(copy.specimen() / "captures.csv", bad.text);
    expect_refused(copy, {"prepare", copy.specimen()}, bad.message);
  }
}

TEST(BadInputs, EveryBadCalibrationRecordIsNamedWithTheField) {
  for (const test::BadText& bad : test::bad_records(good_record())) {
    SCOPED_TRACE(bad.name);
    const Copy copy;
    write_file(copy.root() / "setups/demo.calibration.json", bad.text);
    expect_refused(copy, {"prepare", copy.specimen()}, bad.message);
  }
}

TEST(BadInputs, EveryBadTemplateIsNamedWithTheMistake) {
  for (const test::BadText& bad : test::bad_templates()) {
    SCOPED_TRACE(bad.name);
    const Copy copy;
    write_file(copy.specimen() / "t.mustache", bad.text);
    std::ofstream(copy.specimen() / "specimen.toml", std::ios::app)
        << "[[output.template]]\nfile = \"t.mustache\"\nname = \"poses.txt\"\n";
    expect_refused(copy, {"prepare", copy.specimen()}, bad.message);
    EXPECT_FALSE(fs::exists(copy.specimen() / "prepared/poses.txt"));
  }
}

TEST(BadInputs, WrongCallsExitWithTwo) {
  const Copy copy;
  const std::string specimen = copy.specimen();
  const std::string setup = copy.root() / "setups/demo.toml";
  const std::vector<std::pair<std::vector<std::string>, std::string>> calls{
      {{"prepare"}, "workspace"},
      {{"prepare", specimen, "more"}, "more"},
      {{"prepare", specimen, "--jobs", "-3"}, "--jobs"},
      {{"prepare", specimen, "--jobs", "many"}, "--jobs"},
      {{"prepare", specimen, "--jops", "2"}, "--jops"},
      {{"prepair", specimen}, "prepair"},
      {{"check"}, "workspace"},
      {{"verify"}, "workspace"},
      {{"report"}, "workspace"},
      {{"calibrate", "lens", setup}, "--images"},
      {{"calibrate", "axis", setup}, "--images"},
      {{"calibrate", "lense", setup}, "lense"},
      {{"demo"}, "folder"},
      {{"demo", copy.root() / "new", "--bits", "12"}, "--bits"},
      {{"demo", copy.root() / "new", "--stations", "0"}, "--stations"},
      {{"demo", copy.root() / "new", "--backdrop", "beige"}, "--backdrop"},
      {{"plan"}, "height"},
      {{"target"}, "--"},
  };
  for (const auto& [words, message] : calls) {
    SCOPED_TRACE(testing::PrintToString(words));
    expect_refused(copy, words, message, 2);
  }
}

TEST(BadInputs, WrongPlacesExitWithOne) {
  const Copy copy;
  const std::string none = copy.root() / "none";
  const std::string file = copy.root() / "setups/demo.toml";
  const std::string truth = copy.root() / "truth";
  for (const char* command : {"prepare", "check", "verify", "report"}) {
    for (const std::string& place : {none, file, truth}) {
      SCOPED_TRACE(std::string(command) + " " + place);
      // A place that is no workspace is a wrong call, a workspace without results is not.
      const bool no_results = std::string(command) == "verify" && place == truth;
      expect_refused(copy, {command, place}, fs::path(place).filename(), no_results ? 1 : 2);
    }
  }
  const std::string board = "--images=" + none + "/*.tif";
  expect_refused(copy, {"calibrate", "lens", file, board, "--square", "1"}, "none", 2);
  expect_refused(copy, {"calibrate", "lens", none, board, "--square", "1"}, "none");
}

// A name of any characters is a file's name; what is said of it must stay one readable line.
TEST(BadInputs, NamesOfAnyCharactersArePrintedSafely) {
  const std::vector<std::string> names{
      "a b.tif",       "\xC3\xA4\xC3\xB6.tif", "quote\"'.tif",
      "new\nline.tif", "<b>&amp;.tif",         "{{title}}.tif",
      "=1+1.tif",      "$(touch x).tif",       "\x1B[31mred.tif",
      "-rf.tif",       "semi;colon.tif",       "\xE2\x80\xAEright.tif",
  };
  for (const std::string& name : names) {
    SCOPED_TRACE(name);
    const Copy copy;
    std::string quoted;
    for (const char c : name) quoted += c == '"' ? std::string("\"\"") : std::string(1, c);
    write_file(copy.specimen() / "specimen.toml",
               test::specimen_text("name = \"mid\"\nelevation_deg = 20\nstations = 4\n",
                                   "[captures]\ntable = \"captures.csv\"\n"));
    write_file(
        copy.specimen() / "captures.csv",
        "file,station\nfused/mid_000.tif,0\nfused/mid_001.tif,1\nfused/mid_002.tif,2\n\"fused/" +
            quoted + "\",3\n");
    std::ofstream(copy.specimen() / "fused" / name) << "no image";
    expect_refused(copy, {"prepare", copy.specimen()}, ".tif");
    const std::string page = read_file(copy.specimen() / "prepared/report/index.html");
    EXPECT_THAT(page, Not(HasSubstr("<b>&amp;.tif")));
  }
}

TEST(BadInputs, TheCorpusIsLargeEnough) {
  const std::size_t listed = test::bad_images(kWidth, kHeight).size() +
                             test::bad_specimens().size() + test::bad_setups().size() +
                             test::bad_capture_tables().size() +
                             test::bad_records(good_record()).size() + test::bad_templates().size();
  EXPECT_GE(listed, 150U);
  RecordProperty("bad_inputs", static_cast<int>(listed));
}

}  // namespace bad_inputs_test
}  // namespace trunnion
