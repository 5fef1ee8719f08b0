// trunnion gather on simulated cards: copies, series.csv, repeats, undo.
#include <gtest/gtest.h>
#include <sys/wait.h>
#include <unistd.h>

#include <algorithm>
#include <chrono>
#include <csignal>
#include <map>
#include <nlohmann/json.hpp>
#include <thread>

#include "core/files.h"
#include "core/hash.h"
#include "pipeline/gather/series_check.h"
#include "pipeline/gather/series_table.h"
#include "tests/support/card_seeds.h"
#include "tests/support/simulated_card.h"
#include "tests/support/small_set.h"

namespace trunnion {
namespace gather_command_test {

class Bench {
 public:
  Bench(const std::string& name, test::Trouble trouble, std::uint64_t seed, int stations = 6)
      : root_(fs::path(testing::TempDir()) / ("gather_" + name)) {
    fs::remove_all(root_);
    test::CardOptions options;
    options.stations = stations;
    card_ = test::simulated_card(trouble, seed, options);
    test::write_card(card_, root_ / "cards");
    write_workspace();
    for (const auto& [file, hash] : files_in(root_ / "cards")) originals_[file] = hash;
  }
  ~Bench() { fs::remove_all(root_); }
  Bench(const Bench&) = delete;
  Bench& operator=(const Bench&) = delete;

  [[nodiscard]] fs::path workspace() const { return root_ / "specimen"; }
  [[nodiscard]] fs::path cards() const { return root_ / "cards"; }
  [[nodiscard]] const test::SimulatedCard& card() const { return card_; }

  [[nodiscard]] test::ProgramRun gather(std::vector<std::string> more = {"cards"}) const {
    std::vector<std::string> words{"gather", "--json", "--workspace", workspace().string()};
    for (std::string& word : more) {
      words.push_back(word == "cards" ? cards().string() : std::move(word));
    }
    return test::run_trunnion(words);
  }

  static std::map<fs::path, std::string> files_in(const fs::path& folder) {
    std::map<fs::path, std::string> files;
    if (!fs::exists(folder)) return files;
    for (const auto& entry : fs::recursive_directory_iterator(folder)) {
      const bool lock = entry.path().filename().string().starts_with("lease.");  // stays
      if (entry.is_regular_file() && !lock) files[entry.path()] = hash_file(entry.path());
    }
    return files;
  }

  // Each original once among the copies, and nothing else; originals as they were.
  void expect_every_frame_once() const {
    EXPECT_EQ(files_in(cards()), originals_);
    std::multiset<std::string> wanted;
    std::multiset<std::string> there;
    for (const auto& [file, hash] : originals_) wanted.insert(hash);
    for (const auto& [file, hash] : files_in(workspace() / "frames")) {
      if (!file.filename().string().starts_with('.')) there.insert(hash);
    }
    EXPECT_EQ(there, wanted);
  }

 private:
  void write_workspace() const {
    std::string toml = "title = \"card\"\nsetup = \"../setups/none.toml\"\n";
    std::string csv = "file,ring,station,frames\n";
    std::map<std::string, int> stations;
    for (const gather::Expected& e : card_.expected) {
      stations[e.ring] = std::max(stations[e.ring], e.station + 1);
      csv += "fused/" + e.ring + "_" + std::to_string(e.station) + ".tif," + e.ring + "," +
             std::to_string(e.station) + "," + std::to_string(e.frames) + "\n";
    }
    for (const auto& [ring, count] : stations) {
      toml += "[[ring]]\nname = \"" + ring +
              "\"\nelevation_deg = 0\nstations = " + std::to_string(count) + "\n";
    }
    toml += "[captures]\ntable = \"captures.csv\"\n";
    write_file(workspace() / "specimen.toml", toml);
    write_file(workspace() / "captures.csv", csv);
  }

  fs::path root_;
  test::SimulatedCard card_;
  std::map<fs::path, std::string> originals_;
};

TEST(GatherCommand, CopiesEveryFrameOnceAndLeavesTheOriginals) {
  for (const auto trouble : {test::Trouble::clean, test::Trouble::failed, test::Trouble::aborted,
                             test::Trouble::two_folders}) {
    const Bench bench("copies", trouble, 4);
    const test::ProgramRun run = bench.gather();
    ASSERT_EQ(run.exit_code, 0) << run.err;
    bench.expect_every_frame_once();
    const std::vector<SeriesRow> rows = read_series(bench.workspace());
    ASSERT_GE(rows.size(), bench.card().expected.size());
    EXPECT_EQ(rows[0].state, "whole");
    EXPECT_EQ(rows[0].fused, "fused/low_0.tif");
    EXPECT_TRUE(fs::exists(bench.workspace() / rows[0].frame));
    EXPECT_EQ(rows[0].folder, "frames/low_000");
  }
}

TEST(GatherCommand, DryRunWritesNothing) {
  const Bench bench("dry", test::Trouble::clean, 4);
  const auto before = Bench::files_in(bench.workspace());
  const test::ProgramRun run = bench.gather({"cards", "--dry-run"});
  ASSERT_EQ(run.exit_code, 0) << run.err;
  EXPECT_EQ(Bench::files_in(bench.workspace()), before);
  EXPECT_EQ(nlohmann::json::parse(run.out).at("series").size(), 6U);
}

TEST(GatherCommand, RepeatCopiesNothingAndUndoLeavesTheWorkspaceAsItWas) {
  const Bench bench("repeat", test::Trouble::test_shots, 4);
  const auto before = Bench::files_in(bench.workspace());
  ASSERT_EQ(bench.gather().exit_code, 0);
  const auto once = Bench::files_in(bench.workspace());
  const auto again = nlohmann::json::parse(bench.gather().out);
  EXPECT_EQ(again.at("copied"), 0);
  EXPECT_EQ(again.at("kept"), bench.card().frames.size());
  EXPECT_EQ(Bench::files_in(bench.workspace()), once);
  const test::ProgramRun undo = bench.gather({"--undo"});
  ASSERT_EQ(undo.exit_code, 0) << undo.err;
  EXPECT_EQ(Bench::files_in(bench.workspace()), before);
}

// The first half of a card, then all of it: the last series grows, the others stay.
TEST(GatherCommand, ACardIsContinued) {
  const Bench bench("continued", test::Trouble::clean, 4);
  const fs::path later = bench.workspace().parent_path() / "later";
  std::vector<fs::path> files;
  for (const auto& [file, hash] : Bench::files_in(bench.cards())) files.push_back(file);
  const std::size_t half = files.size() / 2 + 3;
  for (std::size_t i = half; i < files.size(); ++i) {
    const fs::path to = later / files[i].lexically_relative(bench.cards());
    fs::create_directories(to.parent_path());
    fs::rename(files[i], to);
  }
  ASSERT_EQ(bench.gather().exit_code, 0);
  bool incomplete = false;
  for (const SeriesRow& row : read_series(bench.workspace())) {
    incomplete = incomplete || row.state == "incomplete";
  }
  EXPECT_TRUE(incomplete);
  // As on a second card: the first is not given again.
  const test::ProgramRun run = bench.gather({later.string()});
  ASSERT_EQ(run.exit_code, 0) << run.err;
  for (std::size_t i = half; i < files.size(); ++i) {
    fs::rename(later / files[i].lexically_relative(bench.cards()), files[i]);
  }
  bench.expect_every_frame_once();
  for (const SeriesRow& row : read_series(bench.workspace())) EXPECT_EQ(row.state, "whole");
}

TEST(GatherCommand, ACopyThatWasChangedStaysAtUndoAndAFolderOfTheUsersIsNotTouched) {
  const Bench bench("changed", test::Trouble::clean, 4);
  write_file(bench.workspace() / "frames" / "low_001" / "mine.txt", "mine");
  const test::ProgramRun refused = bench.gather();
  EXPECT_EQ(refused.exit_code, 1);
  EXPECT_NE(refused.err.find("was not made by trunnion gather"), std::string::npos) << refused.err;
  EXPECT_EQ(read_file(bench.workspace() / "frames" / "low_001" / "mine.txt"), "mine");
  fs::remove_all(bench.workspace() / "frames" / "low_001");
  ASSERT_EQ(bench.gather().exit_code, 0);
  const fs::path frame = bench.workspace() / read_series(bench.workspace())[0].frame;
  write_file(frame, "edited");
  const test::ProgramRun undo = bench.gather({"--undo"});
  EXPECT_EQ(undo.exit_code, 0);
  EXPECT_EQ(read_file(frame), "edited");
  EXPECT_NE(undo.out.find(frame.filename().string()), std::string::npos);
}

TEST(GatherCommand, ACardGivenTwiceIsCopiedOnce) {
  const Bench bench("twice", test::Trouble::clean, 4);
  const fs::path copy = bench.workspace().parent_path() / "backup";
  fs::copy(bench.cards(), copy, fs::copy_options::recursive);
  const test::ProgramRun run = bench.gather({"cards", copy.string()});
  ASSERT_EQ(run.exit_code, 0) << run.err;
  EXPECT_EQ(nlohmann::json::parse(run.out).at("identical"), bench.card().frames.size());
  bench.expect_every_frame_once();
}

// $FUSE gets the output and the frames of a series in their order; what is there is not made again.
TEST(GatherCommand, TheShippedBatchListFusesEverySeriesOnce) {
  const Bench bench("batch", test::Trouble::clean, 4);
  ASSERT_EQ(bench.gather().exit_code, 0);
  const fs::path fuse = bench.workspace().parent_path() / "fuse-it";
  write_file(fuse, "#!/bin/sh\nout=$1\nshift\nls -1 \"$@\" > \"$out\"\necho run >> runs\n");
  fs::permissions(fuse, fs::perms::owner_all);
  const std::string call =
      "FUSE=" + fuse.string() + " sh " + (bench.workspace() / "fuse.sh").string();
  ASSERT_EQ(std::system(call.c_str()), 0);
  ASSERT_EQ(std::system(call.c_str()), 0);
  for (const SeriesRow& row : read_series(bench.workspace())) {
    const std::string listed = read_file(bench.workspace() / row.fused);
    EXPECT_EQ(std::count(listed.begin(), listed.end(), '\n'), row.frames);
    EXPECT_TRUE(listed.starts_with(row.frame + "\n")) << listed;
  }
  EXPECT_EQ(read_file(bench.workspace() / "runs").size(), 4 * bench.card().expected.size());
}

// Killed at 100 moments: whatever stands in frames/ is whole, and the next run ends as an
// undisturbed one.
TEST(GatherCommandSlow, KilledAtAHundredMomentsNoFrameIsLostDoubledOrAltered) {
  const Bench bench("killed", test::Trouble::aborted, 4);
  const auto begun = std::chrono::steady_clock::now();
  ASSERT_EQ(bench.gather().exit_code, 0);
  const auto whole = std::chrono::steady_clock::now() - begun;
  const auto expected = Bench::files_in(bench.workspace() / "frames");
  ASSERT_EQ(bench.gather({"--undo"}).exit_code, 0);
  const std::string program = test::program();
  const std::string workspace = bench.workspace().string();
  const std::string cards = bench.cards().string();
  int ended_early = 0;
  for (int i = 0; i < 100; ++i) {
    const pid_t child = fork();
    if (child == 0) {
      execl(program.c_str(), program.c_str(), "gather", "--quiet", "--workspace", workspace.c_str(),
            cards.c_str(), nullptr);
      _exit(98);
    }
    std::this_thread::sleep_for(whole * i / 100);
    kill(child, SIGKILL);
    int status = 0;
    waitpid(child, &status, 0);
    ended_early += WIFSIGNALED(status) ? 1 : 0;
    for (const auto& [file, hash] : Bench::files_in(bench.workspace() / "frames")) {
      if (file.string().find(kTemporaryPrefix) != std::string::npos) continue;
      const auto known = expected.find(file);
      ASSERT_NE(known, expected.end()) << file;
      ASSERT_EQ(known->second, hash) << file;
    }
    ASSERT_EQ(bench.gather().exit_code, 0);
    ASSERT_EQ(Bench::files_in(bench.workspace() / "frames"), expected) << "moment " << i;
    bench.expect_every_frame_once();
    ASSERT_EQ(bench.gather({"--undo"}).exit_code, 0);
  }
  EXPECT_GT(ended_early, 50);
}

// Faults are said while frames arrive; once none comes any more, all is gathered.
TEST(GatherCommand, FollowSaysFaultsAndGathersAtTheEnd) {
  const Bench bench("follow", test::Trouble::failed, 4);
  const bool black = std::any_of(bench.card().truth.begin(), bench.card().truth.end(),
                                 [](const test::TrueFrame& frame) { return frame.failed; });
  ASSERT_TRUE(black);
  const test::ProgramRun run = bench.gather({"cards", "--follow", "--idle", "2.5"});
  ASSERT_EQ(run.exit_code, 0) << run.err;
  EXPECT_TRUE(run.err.find("is black") != std::string::npos ||
              run.err.find("can't be read") != std::string::npos)
      << run.err;
  bench.expect_every_frame_once();
}

// A correction stands in this run and in the next.
TEST(GatherCommand, TakesWhatSeriesCorrectedSays) {
  const Bench bench("corrected", test::Trouble::clean, 4);
  ASSERT_EQ(bench.gather().exit_code, 0);
  std::vector<SeriesRow> rows = read_series(bench.workspace());
  std::swap(rows[1].station, rows[2].station);
  write_file(bench.workspace() / "series-corrected.csv", series_csv({rows[1], rows[2]}));
  for (int run = 0; run < 2; ++run) {
    ASSERT_EQ(bench.gather().exit_code, 0);
    const std::vector<SeriesRow> now = read_series(bench.workspace());
    ASSERT_EQ(now.size(), rows.size());
    EXPECT_EQ(now[1].first, rows[2].first);
    EXPECT_EQ(now[2].first, rows[1].first);
    EXPECT_EQ(now[3].first, rows[3].first);
    bench.expect_every_frame_once();
  }
}

// Two fused images that carry dates, one of its own series and one of another; a third to come.
TEST(GatherCheck, SaysWhatIsToComeAndWhatDoesNotFitItsSeries) {
  const Bench bench("check", test::Trouble::clean, 4);
  ASSERT_EQ(bench.gather().exit_code, 0);
  const std::vector<SeriesRow> rows = read_series(bench.workspace());
  std::vector<ingest::StationImage> images(3);
  for (std::size_t i = 0; i < images.size(); ++i) {
    images[i].ring = rows[i].ring;
    images[i].station = rows[i].station;
    images[i].source = rows[i].fused;
    images[i].file = bench.workspace() / rows[i].frame;
  }
  images[1].file = bench.workspace() / rows[4].frame;
  images[2].frames = rows[2].frames + 1;
  Findings findings;
  use_series(bench.workspace(), images, {}, findings);
  ASSERT_EQ(findings.size(), 5U);
  EXPECT_EQ(findings[0].file, rows[1].fused);
  EXPECT_NE(findings[0].what.find("which is that of low 4"), std::string::npos) << findings[0].what;
  EXPECT_EQ(findings[1].file, rows[2].fused);
  for (std::size_t i = 3; i < rows.size() && rows[i].of_station(); ++i) {
    EXPECT_EQ(findings.at(i - 1).file, rows[i].fused);
    EXPECT_EQ(findings.at(i - 1).severity, Severity::fault);
    EXPECT_NE(findings.at(i - 1).what.find("gathered, but not fused yet"), std::string::npos);
    EXPECT_NE(findings.at(i - 1).remedy.find(rows[i].folder), std::string::npos);
  }
  EXPECT_EQ(images[0].frame, rows[0].frame);
  EXPECT_EQ(images[0].frames, rows[0].frames);
  EXPECT_EQ(images[2].frames, rows[2].frames + 1);
}

TEST(GatherCommand, SaysWhatIsWrongWithTheCall) {
  const Bench bench("calls", test::Trouble::clean, 4);
  EXPECT_EQ(bench.gather({}).exit_code, 2);
  EXPECT_EQ(bench.gather({"/no/such/card"}).exit_code, 2);
  EXPECT_EQ(bench.gather({"cards", "--undo"}).exit_code, 2);
  EXPECT_EQ(bench.gather({"cards", "--batch", "../x"}).exit_code, 2);
  EXPECT_EQ(bench.gather({(bench.workspace() / "captures.csv").string()}).exit_code, 2);
}

}  // namespace gather_command_test
}  // namespace trunnion
