// Decisions of review.toml through the whole of prepare and check.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <fstream>
#include <nlohmann/json.hpp>

#include "core/files.h"
#include "pipeline/prepare.h"
#include "tests/support/small_set.h"

namespace trunnion {
namespace pipeline_review_test {

using testing::HasSubstr;
using testing::Not;
using Json = nlohmann::json;

constexpr const char* kOut =
    "[[exclude]]\nstation = 3\nreason = \"the pin moved\"\ndate = \"2026-11-30\"\n";

void decide(const test::SmallSet& set, const std::string& toml) {
  std::ofstream(set.workspace() / "review.toml", std::ios::app) << toml;
}

fs::path fused_of(const PrepareOutcome& outcome, int station) {
  for (const View& view : outcome.scene.views) {
    if (view.station == station) return outcome.root / view.source_file;
  }
  return {};
}

bool is_prepared(const PrepareOutcome& outcome, int station) {
  return std::any_of(outcome.scene.views.begin(), outcome.scene.views.end(),
                     [&](const View& view) { return view.station == station; });
}

std::string all_notes(const report::Judgement& judgement) {
  std::string text;
  for (const report::ToDo& item : judgement.notes) {
    text += item.where + ": " + item.what + " " + item.remedy + "\n";
  }
  return text;
}

CheckOutcome checked(const test::SmallSet& set) {
  Progress progress({}, {.quiet = true});
  PrepareOptions options;
  options.every_image = true;
  return check(set.workspace(), options, progress);
}

std::size_t faults(const report::Judgement& judgement) {
  return static_cast<std::size_t>(
      std::count_if(judgement.to_do.begin(), judgement.to_do.end(),
                    [](const auto& item) { return item.severity == Severity::fault; }));
}

std::string accept_table(const test::SmallSet& set, const report::ToDo& item,
                         const std::string& doubt) {
  std::string place;
  if (!item.view.empty()) {
    const Json report = Json::parse(read_file(set.prepared() / "report/report.json"));
    for (const Json& view : report["views"]) {
      if (view["name"] == item.view) {
        place = "ring = " + view["ring"].dump() + "\nstation = " + view["station"].dump() + "\n";
      }
    }
  } else if (item.where != "whole set") {
    place = "file = \"" + item.where + "\"\n";
  }
  return "[[accept]]\n" + place + "doubt = " + Json(doubt).dump() +
         "\nreason = \"looked at\"\ndate = \"2026-11-30\"\n";
}

TEST(ReviewOfASet, AnExcludedStationIsLeftOutAndNoFault) {
  const test::SmallSet set;
  const PrepareOutcome before = set.prepare();
  ASSERT_TRUE(is_prepared(before, 3));
  const fs::path fused = fused_of(before, 3);
  decide(set, kOut);
  const PrepareOutcome after = set.prepare();
  EXPECT_FALSE(is_prepared(after, 3));
  EXPECT_EQ(after.images_prepared, before.images_prepared - 1);
  EXPECT_EQ(after.stations_expected, before.stations_expected - 1);
  EXPECT_EQ(faults(after.judgement), 0U);
  EXPECT_FALSE(fs::exists(set.prepared() / "images" / fused.filename()));
  EXPECT_TRUE(fs::exists(fused));
  EXPECT_THAT(after.judgement.sentence, HasSubstr(" 3 is excluded"));
  EXPECT_THAT(all_notes(after.judgement), HasSubstr("The pin moved."));
  // A file that is absent, and one that is no image.
  fs::remove(fused);
  EXPECT_EQ(faults(set.prepare().judgement), 0U);
  std::ofstream(fused) << "no image";
  EXPECT_EQ(faults(set.prepare().judgement), 0U);
  EXPECT_EQ(faults(checked(set).judgement), 0U);
  fs::remove(set.workspace() / "review.toml");
  EXPECT_EQ(faults(set.prepare().judgement), 1U);
}

TEST(ReviewOfASet, ReportAndExportsShowTheDecisions) {
  const test::SmallSet set;
  decide(set, kOut);
  decide(set, "[[accept]]\ndoubt = \"Nobody says this.\"\nreason = \"y\"\ndate = \"2026-11-29\"\n");
  const PrepareOutcome outcome = set.prepare();
  for (const char* file : {"cameras.json", "report/report.json"}) {
    const Json json = Json::parse(read_file(set.prepared() / file));
    ASSERT_EQ(json["review"]["excluded"].size(), 1U) << file;
    EXPECT_EQ(json["review"]["excluded"][0]["station"], 3) << file;
    EXPECT_EQ(json["review"]["excluded"][0]["reason"], "the pin moved") << file;
    EXPECT_EQ(json["review"]["excluded"][0]["date"], "2026-11-30") << file;
    EXPECT_EQ(json["review"]["accepted"][0]["doubt"], "Nobody says this.") << file;
  }
  const std::string csv = read_file(set.prepared() / "exterior.csv");
  EXPECT_THAT(csv, HasSubstr("# excluded by a person: "));
  EXPECT_THAT(csv, HasSubstr("the pin moved"));
  EXPECT_THAT(csv, HasSubstr("Nobody says this."));
  EXPECT_THAT(all_notes(outcome.judgement), HasSubstr("a doubt that is not raised"));
  const report::ReportData again = report::read_report(set.prepared() / "report");
  EXPECT_TRUE(again.review.excludes(again.review.excluded.at(0).ring, 3));
  EXPECT_EQ(report::judge(again).sentence, outcome.judgement.sentence);
}

// Without a calibration the set is doubted; poses and every figure must stay as they were.
TEST(ReviewOfASet, AcceptingADoubtChangesNoPoseAndNoFigure) {
  const test::SmallSet set(false);
  const PrepareOutcome before = set.prepare();
  ASSERT_EQ(before.judgement.verdict, report::Verdict::check) << before.judgement.sentence;
  ASSERT_FALSE(before.judgement.to_do.empty());
  const Json cameras = Json::parse(read_file(set.prepared() / "cameras.json"));
  const Json report = Json::parse(read_file(set.prepared() / "report/report.json"));
  for (const report::ToDo& item : before.judgement.to_do) {
    decide(set, accept_table(set, item, item.what));
  }
  const PrepareOutcome after = set.prepare();
  EXPECT_EQ(after.judgement.verdict, report::Verdict::good) << after.judgement.sentence;
  EXPECT_THAT(after.judgement.sentence, HasSubstr("accepted by a person"));
  EXPECT_THAT(after.judgement.sentence, Not(HasSubstr("none is in doubt")));
  EXPECT_THAT(all_notes(after.judgement), HasSubstr("Accepted on 2026-11-30: Looked at."));
  EXPECT_EQ(Json::parse(read_file(set.prepared() / "cameras.json"))["views"], cameras["views"]);
  const Json now = Json::parse(read_file(set.prepared() / "report/report.json"));
  EXPECT_EQ(now["findings"], report["findings"]);
  EXPECT_EQ(now["views"], report["views"]);
  const CheckOutcome looked = checked(set);
  for (const report::ToDo& item : looked.judgement.to_do) {
    EXPECT_THAT(item.what, Not(HasSubstr("is not calibrated")));
  }
}

TEST(ReviewOfASet, ADoubtWithOtherFiguresIsRaisedAgain) {
  const test::SmallSet set(false);
  const PrepareOutcome before = set.prepare();
  const report::ToDo& item = before.judgement.to_do.front();
  decide(set, accept_table(set, item, item.what.substr(0, item.what.size() - 1) + " 12 %."));
  const PrepareOutcome after = set.prepare();
  EXPECT_EQ(after.judgement.to_do.size(), before.judgement.to_do.size());
  EXPECT_THAT(all_notes(after.judgement), HasSubstr("not with these figures"));
}

TEST(ReviewOfASet, AFaultIsNotAccepted) {
  const test::SmallSet set;
  const fs::path fused = fused_of(set.prepare(), 3);
  std::ofstream(fused) << "no image";
  const PrepareOutcome before = set.prepare();
  ASSERT_EQ(before.judgement.verdict, report::Verdict::reshoot);
  for (const report::ToDo& item : before.judgement.to_do) {
    decide(set, "[[accept]]\nstation = 3\ndoubt = " + Json(item.what).dump() +
                    "\nreason = \"never mind\"\ndate = \"2026-11-30\"\n");
  }
  EXPECT_EQ(set.prepare().judgement.verdict, report::Verdict::reshoot);
}

}  // namespace pipeline_review_test
}  // namespace trunnion
