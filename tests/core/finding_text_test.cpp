#include "core/finding_text.h"

#include <gtest/gtest.h>

namespace trunnion {
namespace finding_text_test {

const Findings kFindings{{Severity::fault, "image", "a.tif", "It is empty.", "Export it again."},
                         {Severity::note, "set", "", "All is well.", "Nothing to do."}};

// The keys and their order are those of --json, docs/formats.md.
TEST(FindingText, JsonKeepsTheOrderOfItsKeys) {
  EXPECT_EQ(findings_json(kFindings, FindingStage::shown).dump(),
            R"([{"severity":"fault","stage":"image","file":"a.tif","what":"It is empty.",)"
            R"("remedy":"Export it again."},{"severity":"note","stage":"set","file":"",)"
            R"("what":"All is well.","remedy":"Nothing to do."}])");
  EXPECT_FALSE(findings_json(kFindings, FindingStage::left_out)[0].contains("stage"));
  EXPECT_EQ(findings_json({}, FindingStage::shown).dump(), "[]");
}

TEST(FindingText, NamesTheFileWhereThereIsOne) {
  EXPECT_EQ(findings_text(kFindings),
            "fault: a.tif: It is empty. Export it again.\nnote: All is well. Nothing to do.\n");
}

}  // namespace finding_text_test
}  // namespace trunnion
