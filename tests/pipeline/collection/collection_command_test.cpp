// A collection of small demo sets, by the built program.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <sys/wait.h>
#include <unistd.h>
#include <chrono>
#include <cmath>
#include <csignal>
#include <fstream>
#include <nlohmann/json.hpp>
#include <thread>

#include "core/files.h"
#include "core/hash.h"
#include "tests/support/small_set.h"

namespace trunnion {
namespace collection_command_test {

using Json = nlohmann::json;
using ::testing::HasSubstr;

// Copies of one small set with one setup: drawer/s0, drawer/s1, ...
class CollectionCommandTest : public ::testing::Test {
 protected:
  CollectionCommandTest() {
    demo::DemoOptions options = test::SmallSet::small_options();
    options.stations = 6;
    const test::SmallSet set(true, options);
    fs::create_directories(root() / "drawer");
    fs::copy(set.root() / "setups", root() / "setups", fs::copy_options::recursive);
    fs::copy(set.workspace(), root() / "drawer/s0", fs::copy_options::recursive);
    std::string text = read_file(root() / "drawer/s0/specimen.toml");
    const std::size_t at = text.find("setup = ");
    text.erase(at, text.find('\n', at) + 1 - at);  // the collection gives it
    write_file(root() / "drawer/s0/specimen.toml", text);
    write_collection("");
  }
  void write_collection(const std::string& more) const {
    write_file(root() / "collection.toml",
               "title = \"Test drawer\"\nworkspaces = [\"drawer/*\"]\nrecords = \"s.csv\"\n"
               "[defaults]\nsetup = \"setups/demo.toml\"\n" +
                   more);
    if (!fs::exists(root() / "s.csv")) write_file(root() / "s.csv", "catalogNumber\n");
  }
  void add(const std::string& name) const {
    fs::copy(root() / "drawer/s0", specimen(name), fs::copy_options::recursive);
  }
  [[nodiscard]] fs::path root() const { return folder_.path(); }
  [[nodiscard]] fs::path specimen(const std::string& name) const {
    return root() / "drawer" / name;
  }
  Json call(const std::string& what, int expected,
            const std::vector<std::string>& more = {}) const {
    std::vector<std::string> words{"collection", what, "--json", root().string()};
    words.insert(words.end(), more.begin(), more.end());
    const test::ProgramRun run = test::run_trunnion(words);
    EXPECT_EQ(run.exit_code, expected) << run.out << run.err;
    return Json::parse(run.out);
  }
  static std::string state_of(const Json& json, const std::string& name) {
    for (const Json& each : json.at("list")) {
      if (each.at("workspace") == "drawer/" + name) return each.at("state");
    }
    return "absent";
  }

 private:
  test::TemporaryFolder folder_;
};

TEST_F(CollectionCommandTest, SlowRunsWhatIsToDoAndABrokenSpecimenStopsNothing) {
  for (const char* name : {"s1", "s2", "s3"}) add(name);
  write_file(specimen("s1") / "specimen.toml", "title = \n");  // can't be read
  fs::remove_all(specimen("s2") / "fused");                    // can be read, has no images
  Json json = call("status", 0);
  EXPECT_EQ(json["counts"]["to do"], 3);
  EXPECT_EQ(state_of(json, "s1"), "failed");

  json = call("run", 1, {"--jobs", "2"});
  EXPECT_EQ(json["run"]["prepared"], 2);
  EXPECT_EQ(json["run"]["failed"], 2);
  EXPECT_EQ(state_of(json, "s0"), "finished");
  EXPECT_EQ(state_of(json, "s3"), "finished");
  EXPECT_EQ(state_of(json, "s2"), "failed");

  // Bytes as those of a plain run.
  const test::TemporaryFolder plain;
  fs::copy(specimen("s3"), plain.path() / "s", fs::copy_options::recursive);
  fs::remove_all(plain.path() / "s/prepared");
  fs::remove_all(plain.path() / "s/.trunnion");
  std::string text = read_file(plain.path() / "s/specimen.toml");
  write_file(plain.path() / "s/specimen.toml",
             "setup = \"" + (root() / "setups/demo.toml").string() + "\"\n" + text);
  ASSERT_EQ(test::run_trunnion({"prepare", "--quiet", (plain.path() / "s").string()}).exit_code, 0);
  for (const char* part : {"images", "masks", "cameras.json"}) {
    const fs::path a = plain.path() / "s/prepared" / part;
    const fs::path b = specimen("s3") / "prepared" / part;
    if (fs::is_directory(a)) {
      EXPECT_EQ(test::hashes_below(a), test::hashes_below(b)) << part;
    } else {
      EXPECT_EQ(hash_file(a), hash_file(b)) << part;
    }
  }

  // Nothing to do: no file of the specimens is written.
  const auto before = test::hashes_below(root() / "drawer");
  const auto stamp = fs::last_write_time(specimen("s0") / ".trunnion/last_run.json");
  json = call("run", 1);
  EXPECT_EQ(json["run"]["prepared"], 0);
  EXPECT_EQ(json["run"]["unchanged"], 2);
  EXPECT_EQ(before, test::hashes_below(root() / "drawer"));
  EXPECT_EQ(stamp, fs::last_write_time(specimen("s0") / ".trunnion/last_run.json"));

  // What failed is run again once it changed, or when asked for.
  EXPECT_EQ(call("run", 1, {"--again"})["run"]["failed"], 2);
  fs::copy(specimen("s0") / "fused", specimen("s2") / "fused", fs::copy_options::recursive);
  fs::copy_file(specimen("s0") / "specimen.toml", specimen("s1") / "specimen.toml",
                fs::copy_options::overwrite_existing);
  json = call("run", 0);
  EXPECT_EQ(json["run"]["prepared"], 2);
  EXPECT_EQ(json["counts"]["finished"], 4);
}

TEST_F(CollectionCommandTest, SlowAChangeIsSeenAndDoneAgain) {
  EXPECT_EQ(call("run", 0)["run"]["prepared"], 1);
  EXPECT_EQ(state_of(call("status", 0), "s0"), "finished");
  std::ofstream(specimen("s0") / "prepared/cameras.json", std::ios::app) << "damage";
  EXPECT_EQ(state_of(call("status", 0), "s0"), "changed");
  call("run", 0);
  EXPECT_EQ(state_of(call("status", 0), "s0"), "finished");
  EXPECT_THAT(read_file(specimen("s0") / "prepared/cameras.json"),
              ::testing::Not(HasSubstr("damage")));
  write_collection("[defaults.output]\nmask_suffix = \"_m\"\n");
  EXPECT_EQ(state_of(call("status", 0), "s0"), "changed");
  call("run", 0);
  EXPECT_TRUE(fs::exists(specimen("s0") / "prepared/masks/mid_000_m.png"));
}

// The pixels keep their bytes and their time stamps of encoding: none is encoded again.
TEST_F(CollectionCommandTest, SlowAChangedRecordEncodesNoPixels) {
  fs::rename(specimen("s0"), specimen("B 1"));
  write_file(root() / "s.csv", "catalogNumber,rights\nB 1,first\n");
  const std::string folder = specimen("B 1").string();
  const auto prepare = [&folder] {
    const test::ProgramRun run = test::run_trunnion({"prepare", "--json", folder});
    EXPECT_EQ(run.exit_code, 0) << run.err;
    return Json::parse(run.out);
  };
  EXPECT_EQ(prepare()["images_unchanged"], 0);
  const Json cameras = Json::parse(read_file(specimen("B 1") / "prepared/cameras.json"));
  EXPECT_EQ(cameras["specimen"]["catalogue_number"], "B 1");
  EXPECT_EQ(cameras["specimen"]["rights"], "first");
  write_file(root() / "s.csv", "catalogNumber,rights\nB 1,second\n");
  EXPECT_EQ(state_of(call("status", 0), "B 1"), "changed");
  const Json json = prepare();
  EXPECT_EQ(json["images_unchanged"], json["images_prepared"]);
  EXPECT_EQ(Json::parse(read_file(specimen("B 1") / "prepared/cameras.json"))["specimen"]["rights"],
            "second");
  const Json report = Json::parse(read_file(specimen("B 1") / "prepared/report/report.json"));
  EXPECT_THAT(report["record"].dump(), HasSubstr("second"));
  EXPECT_EQ(test::run_trunnion({"verify", folder}).exit_code, 0);
}

TEST_F(CollectionCommandTest, NumbersThatAreMissingOrDoubledAreNamed) {
  for (const char* name : {"s1", "s2"}) add(name);
  write_file(root() / "s.csv",
             "workspace,catalogNumber\ndrawer/s0,B 1\ndrawer/s1,B 1\ndrawer/s9,B 9\n"
             "drawer/s0,B 3\n");
  const Json json = call("status", 0);
  std::string said;
  for (const Json& each : json["findings"]) said += each["what"].get<std::string>() + "\n";
  EXPECT_THAT(said, HasSubstr("1 specimen is without a catalogue number: drawer/s2."));
  EXPECT_THAT(said, HasSubstr("B 1 stands for 2 specimens: drawer/s0, drawer/s1."));
  EXPECT_THAT(said, HasSubstr("1 row is of no specimen: workspace drawer/s9."));
  EXPECT_THAT(said, HasSubstr("Rows 2, 5 are all of workspace drawer/s0; the first is used."));
}

TEST_F(CollectionCommandTest, SlowWritesAReport) {
  add("s1");
  fs::remove_all(specimen("s1") / "fused");
  call("run", 1);
  const Json said = call("report", 0);
  EXPECT_EQ(said["specimens"], 2);
  const Json json = Json::parse(read_file(root() / "report/collection.json"));
  EXPECT_EQ(json["title"], "Test drawer");
  const Json& first = json["specimens"][0];
  EXPECT_EQ(first["state"], "finished");
  // Links lead to files that are there.
  EXPECT_TRUE(fs::exists(root() / "report" / first["report"].get<std::string>()));
  EXPECT_TRUE(fs::exists(root() / "report" / first["picture"].get<std::string>()));
  EXPECT_GT(first["width_mm"], 0);
  EXPECT_EQ(json["specimens"][1]["state"], "failed");
  const std::string table = read_file(root() / "report/collection.csv");
  EXPECT_THAT(table, ::testing::StartsWith("workspace,state,verdict,dwc:catalogNumber,"));
  EXPECT_TRUE(fs::exists(root() / "report/index.html"));
}

TEST_F(CollectionCommandTest, SlowEndsOnRequestAndGoesOn) {
  for (int i = 1; i < 6; ++i) add("s" + std::to_string(i));
  const std::string program = test::program();
  const std::string place = root().string();
  const pid_t child = fork();
  if (child == 0) {
    if (std::freopen("/dev/null", "w", stdout) == nullptr ||
        std::freopen("/dev/null", "w", stderr) == nullptr) {
      _exit(99);
    }
    execl(program.c_str(), program.c_str(), "collection", "run", "--jobs", "2", place.c_str(),
          nullptr);
    _exit(98);
  }
  // Once the first is finished, and others are not.
  for (int i = 0; i < 2000 && !fs::exists(specimen("s0") / ".trunnion/last_run.json"); ++i) {
    std::this_thread::sleep_for(std::chrono::milliseconds(10));
  }
  kill(child, SIGINT);
  int status = 0;
  waitpid(child, &status, 0);
  EXPECT_TRUE(WIFEXITED(status) && WEXITSTATUS(status) == 130);
  // Nothing of it still works.
  const Json then = call("status", 0);
  EXPECT_EQ(then["counts"]["running"], 0);
  EXPECT_EQ(state_of(then, "s0"), "finished");
  EXPECT_GT(then["counts"]["to do"], 0);
  const Json json = call("run", 0);
  EXPECT_EQ(json["counts"]["finished"], 6);
  EXPECT_EQ(json["run"]["prepared"].get<int>() + json["run"]["unchanged"].get<int>(), 6);
}

// fx moved by a tenth of its sigma, then by a hundred: within and beyond what the records know.
TEST_F(CollectionCommandTest, SlowSpecimensOnAnEarlierRecordAreNamedWithPixels) {
  add("s1");
  EXPECT_EQ(call("run", 0)["run"]["prepared"], 2);
  const fs::path file = root() / "setups/demo.calibration.json";
  const Json before = Json::parse(read_file(file));
  const double sigma =
      std::sqrt(before["lens"]["covariance_fx_fy_cx_cy_k1_k2_p1_p2_k3"][0][0].get<double>());
  const auto said = [&](double sigmas) {
    Json now = before;
    for (const char* focal : {"fx_px", "fy_px"}) {  // which are one in this record
      now["lens"]["camera"][focal] = before["lens"]["camera"][focal].get<double>() + sigmas * sigma;
    }
    write_file(file, now.dump());
    const Json json = call("status", 0);
    EXPECT_EQ(json["counts"]["changed"], 2);
    std::string text;
    for (const Json& each : json["findings"]) {
      if (each["file"] == file.string()) {
        text += each["severity"].get<std::string>() + " " + each["what"].get<std::string>();
      }
    }
    return text;
  };
  const std::string little = said(0.1);
  EXPECT_THAT(little,
              ::testing::StartsWith("note 2 specimens of setup demo stand on an earlier record"));
  EXPECT_THAT(little, HasSubstr("within the uncertainties"));
  const std::string much = said(100);
  EXPECT_THAT(much, ::testing::StartsWith("doubt "));
  EXPECT_THAT(much, HasSubstr("drawer/s0, drawer/s1"));
  EXPECT_THAT(much, HasSubstr("It matters"));
  EXPECT_THAT(much, HasSubstr(" px"));
  (void)call("run", 0);
  const Json json = call("status", 0);
  EXPECT_EQ(json["counts"]["finished"], 2);
  EXPECT_THAT(json["findings"].dump(), ::testing::Not(HasSubstr("earlier record")));
}

TEST_F(CollectionCommandTest, MixedSetupsInAFolderAreNamed) {
  add("s1");
  fs::copy_file(root() / "setups/demo.toml", root() / "setups/other.toml");
  write_collection("[[some]]\nworkspaces = [\"drawer/s1\"]\nsetup = \"setups/other.toml\"\n");
  const std::string said = call("status", 0)["findings"].dump();
  EXPECT_THAT(said, HasSubstr("Its specimens have several setups: 1 of setup demo (drawer/s0); "
                              "1 of setup other (drawer/s1)."));
  EXPECT_THAT(said, HasSubstr("Setup other has no calibration record: drawer/s1."));
}

TEST_F(CollectionCommandTest, NoCollectionIsAUsageError) {
  const test::TemporaryFolder empty;
  const test::ProgramRun run = test::run_trunnion({"collection", "status", empty.path().string()});
  EXPECT_EQ(run.exit_code, 2);
  EXPECT_THAT(run.err, HasSubstr("collection.toml"));
}

}  // namespace collection_command_test
}  // namespace trunnion
