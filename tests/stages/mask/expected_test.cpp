#include "stages/mask/expected.h"

#include <gtest/gtest.h>

namespace trunnion::mask {
namespace expected_test {

MaskMeasures measured(double area_px) {
  MaskMeasures measures;
  measures.area_px = area_px;
  measures.box_px = {10, 20, 100, 50};
  return measures;
}

TEST(PredictedOverlap, FallsWithTheDoubtAndSaysWhereItLies) {
  MaskMeasures measures = measured(5000);
  predict_overlap({{{12, 21}, DoubtKind::outline, 100.0}, {{105, 65}, DoubtKind::filled, 200.0}},
                  measures);
  EXPECT_LT(measures.predicted_overlap, 0.95);
  EXPECT_TRUE(measures.doubt_px.contains({105, 65}));
  EXPECT_FALSE(measures.doubt_px.contains({12, 21}));
}

// 0 means that nothing was predicted, and such a mask would not be doubted.
TEST(PredictedOverlap, IsNeverMissingWhereThereIsAMask) {
  MaskMeasures measures = measured(100);
  predict_overlap({{{50, 40}, DoubtKind::filled, 1000.0}}, measures);
  EXPECT_GT(measures.predicted_overlap, 0.0);
  EXPECT_LT(measures.predicted_overlap, 0.1);
}

}  // namespace expected_test
}  // namespace trunnion::mask
