#include "stages/gather/gather.h"

#include <fmt/format.h>
#include <gtest/gtest.h>
#include <tbb/parallel_for.h>

#include <cmath>
#include <map>
#include <set>

#include "core/files.h"
#include "tests/support/card_seeds.h"
#include "tests/support/simulated_card.h"

namespace trunnion::gather {
namespace gather_test {

struct CardScore {
  int cuts = 0;      // true ones and those found in vain
  int wrong = 0;     // missed or in vain
  int silent = 0;    // of them without a doubt that names them
  int doubted = 0;   // cuts named as doubtful
  int stations = 0;  // whole series
  int misnamed = 0;  // given to another station
  int misnamed_silently = 0;

  CardScore& operator+=(const CardScore& o) {
    cuts += o.cuts;
    wrong += o.wrong;
    silent += o.silent;
    doubted += o.doubted;
    stations += o.stations;
    misnamed += o.misnamed;
    misnamed_silently += o.misnamed_silently;
    return *this;
  }
};

CardScore score_of(const test::SimulatedCard& card, const Gathering& found) {
  CardScore score;
  std::set<std::size_t> truth;
  std::set<std::size_t> made;
  std::set<std::size_t> doubted;
  std::map<int, std::vector<std::size_t>> parts;
  for (std::size_t i = 0; i < card.truth.size(); ++i) {
    if (i > 0 && card.truth[i].part != card.truth[i - 1].part) truth.insert(i);
    parts[card.truth[i].part].push_back(i);
  }
  for (std::size_t p = 1; p < found.parts.size(); ++p) made.insert(found.parts[p].first);
  for (const DoubtfulCut& doubt : found.doubts) doubted.insert(doubt.before);
  std::set<std::size_t> all = truth;
  all.insert(made.begin(), made.end());
  for (const std::size_t cut : all) {
    ++score.cuts;
    if (truth.contains(cut) && made.contains(cut)) continue;
    ++score.wrong;
    if (!doubted.contains(cut)) ++score.silent;
  }
  score.doubted = static_cast<int>(doubted.size());
  for (const auto& [id, frames] : parts) {
    const std::size_t middle = frames[frames.size() / 2];
    const test::TrueFrame& truly = card.truth[middle];
    if (truly.expected < 0 || !truly.whole) continue;
    ++score.stations;
    for (const Part& part : found.parts) {
      if (middle < part.first || middle > part.last) continue;
      const bool whole = part.kind == PartKind::series || part.kind == PartKind::repeated;
      if (whole && part.expected == truly.expected) continue;
      ++score.misnamed;
      if (!part.doubtful) ++score.misnamed_silently;
    }
  }
  return score;
}

std::vector<CardScore> scores_of_kinds(const test::CardOptions& card_options,
                                       const GatherOptions& options) {
  std::vector<CardScore> all(test::kTroubles * test::kJudgingSeeds);
  tbb::parallel_for(std::size_t{0}, all.size(), [&](std::size_t i) {
    const auto kind = static_cast<test::Trouble>(i / test::kJudgingSeeds);
    const std::uint64_t seed = test::kFirstJudgingSeed + i % test::kJudgingSeeds;
    const test::SimulatedCard card = test::simulated_card(kind, seed, card_options);
    all[i] = score_of(card, gather_series(card.frames, card.expected, options));
  });
  std::vector<CardScore> kinds(test::kTroubles);
  for (std::size_t i = 0; i < all.size(); ++i) kinds[i / test::kJudgingSeeds] += all[i];
  return kinds;
}

void print(const std::vector<CardScore>& kinds) {
  for (std::size_t k = 0; k < kinds.size(); ++k) {
    const CardScore& s = kinds[k];
    fmt::print(
        "{:16} {:4} cuts, {} wrong, {} silent, {} doubted; {} series, {} misnamed, {} silent\n",
        test::name_of(static_cast<test::Trouble>(k)), s.cuts, s.wrong, s.silent, s.doubted,
        s.stations, s.misnamed, s.misnamed_silently);
  }
}

// What must hold on the judging seeds.
TEST(GatherSlow, BoundariesOfTwelveKindsOfTroubleAreRightOrNamed) {
  const std::vector<CardScore> kinds = scores_of_kinds({}, {});
  print(kinds);
  CardScore troubled;
  for (std::size_t k = 1; k < kinds.size(); ++k) troubled += kinds[k];
  const double right = 1 - static_cast<double>(troubled.wrong) / troubled.cuts;
  fmt::print("right {:.5f} of {}\n", right, troubled.cuts);
  EXPECT_GE(right, 0.995);
  EXPECT_EQ(troubled.silent, 0);
  EXPECT_EQ(troubled.misnamed_silently, 0);
  const CardScore& clean = kinds.front();
  EXPECT_EQ(clean.wrong, 0);
  EXPECT_LE(clean.doubted, 0.01 * clean.cuts);
}

Frame frame_at(const std::string& folder, int number, double time) {
  Frame frame;
  frame.folder = folder;
  frame.file = fmt::format("{}/a{:04}.tif", folder, number);
  frame.number = number;
  frame.time_s = time;
  return frame;
}

TEST(Gather, OrderFollowsTheNumbersAcrossTheRollOverAndFolders) {
  std::vector<Frame> frames;
  for (const int number : {1, 2, 9998, 9999}) {
    frames.push_back(frame_at("card/100", number, number > 5000 ? number : 10000 + number));
  }
  frames.push_back(frame_at("other/101", 3, 10003));
  Findings findings;
  const std::vector<std::size_t> order = shooting_order(frames, findings);
  EXPECT_EQ(order, (std::vector<std::size_t>{2, 3, 0, 1, 4}));
  EXPECT_TRUE(findings.empty());
}

// The clock was set back between two cards: the numbers know better, and it is said.
TEST(Gather, NumbersThatJoinFoldersGoBeforeTimes) {
  std::vector<Frame> frames{frame_at("a", 10, 5000), frame_at("a", 11, 5001),
                            frame_at("b", 12, 100), frame_at("b", 13, 101)};
  Findings findings;
  EXPECT_EQ(shooting_order(frames, findings), (std::vector<std::size_t>{0, 1, 2, 3}));
  ASSERT_EQ(findings.size(), 1U);
  EXPECT_NE(findings[0].what.find("numbers"), std::string::npos);
}

TEST(Gather, NoFramesNoPartsAndUnreadableOnesAreNamed) {
  EXPECT_TRUE(gather_series({}, {{"low", 0, 3}}).parts.empty());
  std::vector<Frame> frames(2);
  frames[0].readable = frames[1].readable = false;
  const Gathering found = gather_series(frames, {{"low", 0, 3}});
  ASSERT_EQ(found.parts.size(), 1U);
  EXPECT_TRUE(found.parts[0].doubtful);
  EXPECT_EQ(found.failed.size(), 2U);
}

// Every frame is in exactly one part, whatever the trouble.
TEST(Gather, PartsHoldEveryFrameOnce) {
  for (int kind = 0; kind < test::kTroubles; ++kind) {
    test::CardOptions options;
    options.stations = 8;
    const auto card = test::simulated_card(static_cast<test::Trouble>(kind), 3, options);
    const Gathering found = gather_series(card.frames, card.expected);
    std::size_t next = 0;
    for (const Part& part : found.parts) {
      EXPECT_EQ(part.first, next);
      next = part.last + 1;
    }
    EXPECT_EQ(next, card.frames.size());
  }
}

// Frames as cameras write them: date, sub-seconds and settings of a TIFF/EP file with a preview.
TEST(Gather, ReadsTimeSettingsAndPreviewOfARawFrame) {
  const fs::path root = fs::path(testing::TempDir()) / "gather_read_frame";
  fs::remove_all(root);
  test::CardOptions options;
  options.stations = 1;
  const auto card = test::simulated_card(test::Trouble::clean, 2, options);
  test::write_card(card, root);
  for (std::size_t i = 0; i < 3; ++i) {
    const Frame frame = read_frame(root / card.frames[i].file);
    EXPECT_TRUE(frame.readable);
    ASSERT_TRUE(frame.time_s);
    EXPECT_NEAR(*frame.time_s, *card.frames[i].time_s, 0.006);
    EXPECT_TRUE(frame.subseconds);
    EXPECT_EQ(frame.number, card.frames[i].number);
    EXPECT_NE(frame.settings.find("1/60"), std::string::npos) << frame.settings;
    ASSERT_EQ(frame.grey.size(), card.frames[i].grey.size());
    double off = 0;
    for (std::size_t k = 0; k < frame.grey.size(); ++k) {
      off += std::abs(static_cast<double>(frame.grey[k] - card.frames[i].grey[k]));
    }
    EXPECT_LT(off / static_cast<double>(frame.grey.size()), 0.02);
  }
  fs::remove_all(root);
}

}  // namespace gather_test
}  // namespace trunnion::gather
