// Files of released versions, written by those versions' own programs (tests/old_files/README.md),
// are read by this one; files of later formats are refused by name.
#include <gmock/gmock.h>

#include <algorithm>
#include <filesystem>

#include "config/calibration_record.h"
#include "config/capture_plan.h"
#include "config/settings.h"
#include "config/setup.h"
#include "core/error.h"
#include "core/files.h"
#include "tests/support/open_data.h"

namespace trunnion {
namespace old_files_test {

namespace fs = std::filesystem;
using testing::AllOf;
using testing::HasSubstr;

fs::path old_files() {
  return test::source_folder() / "tests" / "old_files";
}

// All files of all versions whose name ends so.
std::vector<fs::path> files_ending(const std::string& end) {
  std::vector<fs::path> files;
  for (const fs::directory_entry& entry : fs::recursive_directory_iterator(old_files())) {
    if (entry.path().filename().string().ends_with(end)) files.push_back(entry.path());
  }
  std::sort(files.begin(), files.end());
  return files;
}

// `text` with the first `from` in it replaced.
std::string with(std::string text, const std::string& from, const std::string& to) {
  const std::size_t at = text.find(from);
  EXPECT_NE(at, std::string::npos) << from;
  return text.replace(at, from.size(), to);
}

template <typename Read>
std::string refusal(Read read) {
  try {
    read();
  } catch (const Error& error) {
    EXPECT_EQ(error.kind(), Error::Kind::data);
    return error.what();
  }
  return "nothing was refused";
}

TEST(OldFiles, EverySetupAndItsRecordAreRead) {
  int records = 0;
  for (const fs::path& file : files_ending(".toml")) {
    if (file.filename() == "specimen.toml") continue;
    const trunnion::Setup setup = read_setup(file);
    EXPECT_GT(setup.width_px, 0) << file;
    if (!fs::exists(record_path(file))) continue;
    const CalibrationRecord record = read_record(record_path(file));
    EXPECT_THAT(mismatches(record, setup), testing::IsEmpty()) << file;
    EXPECT_TRUE(record.lens && record.axis) << file;
    ++records;
  }
  EXPECT_GE(records, 1);
}

TEST(OldFiles, EverySpecimenFileAndPlanIsRead) {
  const std::vector<fs::path> specimens = files_ending("specimen.toml");
  EXPECT_GE(specimens.size(), 3U);
  for (const fs::path& file : specimens) {
    EXPECT_FALSE(read_specimen(file).specimen.rings.empty()) << file;
  }
  const std::vector<fs::path> plans = files_ending("plan.json");
  EXPECT_GE(plans.size(), 1U);
  for (const fs::path& file : plans) EXPECT_GT(read_plan(file).station_count, 0) << file;
}

TEST(OldFiles, LaterFormatsAreRefusedByName) {
  const fs::path folder = old_files() / "0.1.0";
  const auto later = [](const char* file) {
    return AllOf(HasSubstr(file), HasSubstr("is of format 2, of a later version of trunnion"));
  };
  const std::string record = read_file(folder / "setups" / "demo.calibration.json");
  EXPECT_THAT(refusal([&] { parse_record(with(record, "record 1", "record 2"), "my.json"); }),
              later("my.json"));
  EXPECT_THAT(refusal([&] { parse_record(with(record, "record 1", "record x"), "my.json"); }),
              HasSubstr("format must be \"trunnion calibration record 1\""));
  const std::string plan = read_file(folder / "planned" / "plan.json");
  EXPECT_THAT(
      refusal([&] { parse_plan(with(plan, "\"version\": 1", "\"version\": 2"), "p.json"); }),
      later("p.json"));
  // Nothing else of such a file is judged.
  EXPECT_THAT(refusal([] { parse_setup("format = 2\n[stand]\nx = 1\n", "macro.toml"); }),
              later("macro.toml"));
  EXPECT_THAT(refusal([] { parse_specimen("format = 2\nspecimens = 3\n", "specimen.toml"); }),
              later("specimen.toml"));
}

TEST(OldFiles, TheirOwnFormatMayBeGiven) {
  const fs::path file = old_files() / "0.1.0" / "setups" / "demo.toml";
  const trunnion::Setup setup = parse_setup("format = 1\n" + read_file(file), file.string());
  EXPECT_EQ(setup.pixel_pitch_um, read_setup(file).pixel_pitch_um);
  EXPECT_THAT(refusal([] { parse_setup("format = 0\n", "macro.toml"); }), HasSubstr("format"));
}

}  // namespace old_files_test
}  // namespace trunnion
