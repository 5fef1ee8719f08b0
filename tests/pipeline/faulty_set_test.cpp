// Whether somebody who sees only the verdict learns which stations are at fault: a rendered set
// with one fault of each kind, through all of prepare.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "pipeline/prepare.h"
#include "stages/report/report.h"
#include "tests/support/demo_at_720.h"
#include "tests/support/small_set.h"

namespace trunnion {
namespace faulty_set_test {

using testing::HasSubstr;

demo::DemoOptions one_ring(demo::BackdropShade backdrop) {
  demo::DemoOptions options = test::demo_at_720();
  options.rings = 1;
  options.stations = 20;
  options.boards = false;
  options.backdrop = backdrop;
  return options;
}

std::string said_of(const report::Judgement& judgement, const std::string& place) {
  std::string text;
  for (const report::ToDo& item : judgement.to_do) {
    if (item.where == place) text += item.what + "\n";
  }
  return text;
}

TEST(SlowFaultySet, EveryFaultIsNamedInTheVerdictAndNoOtherStation) {
  demo::DemoOptions options = one_ring(demo::BackdropShade::grey);
  options.faults.missing = 2;
  options.faults.blurred = 5;
  options.faults.dim = 8;
  options.faults.slip = 12;
  options.faults.covered = 17;
  const test::SmallSet set(true, options);
  const PrepareOutcome outcome = set.prepare();
  const report::Judgement& judgement = outcome.judgement;
  EXPECT_EQ(judgement.verdict, report::Verdict::reshoot);
  EXPECT_THAT(judgement.sentence,
              HasSubstr("mid 2 is missing; mid 12 cannot be used as it is; check mid 5, mid 8 and "
                        "mid 17"));
  EXPECT_THAT(said_of(judgement, "mid 5"), HasSubstr("lacks the fine structure"));
  EXPECT_THAT(said_of(judgement, "mid 8"), HasSubstr("The exposure is -21 %"));
  EXPECT_THAT(said_of(judgement, "mid 12"), HasSubstr("it has slipped."));
  EXPECT_THAT(said_of(judgement, "mid 17"), HasSubstr("Mask area or position changes"));
  // Terminal and page say the same, and a re-run too.
  EXPECT_THAT(summary_of(outcome).sentence, HasSubstr(judgement.sentence));
  EXPECT_EQ(report::judge(report::read_report(set.prepared() / "report")).sentence,
            judgement.sentence);
  const PrepareOutcome again = set.prepare();
  EXPECT_EQ(again.images_reused, 19);
  EXPECT_EQ(again.judgement.sentence, judgement.sentence);
  for (const report::ReportView& view : report::read_report(set.prepared() / "report").views) {
    EXPECT_TRUE(view.exposure && view.sharpness) << view.name << ": measured at every station";
  }
}

TEST(SlowFaultySet, ACleanSetIsReady) {
  for (const auto backdrop :
       {demo::BackdropShade::black, demo::BackdropShade::grey, demo::BackdropShade::white}) {
    const test::SmallSet set(true, one_ring(backdrop));
    const PrepareOutcome outcome = set.prepare();
    std::string said;
    for (const report::ToDo& item : outcome.judgement.to_do)
      said += item.where + ": " + item.what + "\n";
    EXPECT_EQ(outcome.judgement.sentence,
              "Ready: all 20 stations are prepared and none is in doubt.")
        << static_cast<int>(backdrop) << "\n"
        << said;
  }
}

}  // namespace faulty_set_test
}  // namespace trunnion
