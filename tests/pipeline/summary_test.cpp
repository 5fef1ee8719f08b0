// What the terminal says of findings that many images share.
#include <gtest/gtest.h>

#include "pipeline/annotate_images.h"
#include "pipeline/prepare.h"

namespace trunnion {
namespace summary_test {

report::Judgement doubts_at(const std::vector<std::string>& places, const std::string& anchor) {
  report::Judgement judgement;
  judgement.verdict = report::Verdict::check;
  for (const std::string& place : places) {
    judgement.to_do.push_back({Severity::doubt, place, "", anchor, "Soft.", "Look."});
  }
  return judgement;
}

std::string where(const std::vector<std::string>& places, const std::string& anchor = "view-0") {
  CheckOutcome outcome;
  outcome.judgement = doubts_at(places, anchor);
  const Summary summary = summary_of(outcome);
  EXPECT_EQ(summary.items.size(), 1U);
  return summary.items.at(0).where;
}

TEST(Summary, NamesTheStationsThatShareAFinding) {
  EXPECT_EQ(where({"low 2"}), "low 2");
  EXPECT_EQ(where({"low 2", "low 5", "low 7"}), "low 2, low 5 and low 7");
  EXPECT_EQ(where({"low 2", "low 5", "low 7", "low 9"}), "low 2, low 5, low 7 and low 9");
  EXPECT_EQ(where({"low 1", "low 2", "low 3", "low 4", "low 5"}),
            "low 1, low 2, low 3 and 2 more stations");
  EXPECT_EQ(where({"a.tif", "b.tif", "c.tif", "d.tif", "e.tif"}, ""),
            "a.tif, b.tif, c.tif and 2 more files");
}

TEST(FinishImages, ANoteOfManyImagesIsShownOnce) {
  const Finding tags{Severity::note, "annotate", "low_0", "Tags were replaced.", "Nothing to do."};
  const Finding own{Severity::note, "annotate", "low_1", "Another note.", "Nothing to do."};
  const Finding doubt{Severity::doubt, "annotate", "low_1", "A doubt.", "Look."};
  const Findings all = notes_once({{tags}, {tags, own, doubt}, {tags, doubt}});
  ASSERT_EQ(all.size(), 4U);
  EXPECT_EQ(all[0].file, "");
  EXPECT_EQ(all[0].what, "Tags were replaced. So in all 3 images.");
  EXPECT_EQ(all[1].file, "low_1");
  EXPECT_EQ(all[1].what, "Another note.");
  EXPECT_EQ(all[2].severity, Severity::doubt);
  EXPECT_EQ(all[3].severity, Severity::doubt);
  EXPECT_EQ(notes_once({{tags}, {tags}, {}}).at(0).what,
            "Tags were replaced. So in 2 of 3 images.");
  EXPECT_EQ(notes_once({{tags}, {}}).at(0).file, "low_0");
}

}  // namespace summary_test
}  // namespace trunnion
