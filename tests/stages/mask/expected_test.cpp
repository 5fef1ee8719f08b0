#include "stages/mask/expected.h"

#include <gtest/gtest.h>

namespace trunnion::mask {
namespace expected_test {

MaskMeasures measures() {
  MaskMeasures result;
  result.area_px = 100'000;
  result.box_px = {100, 200, 500, 400};
  return result;
}

TEST(PredictedOverlap, FallsWithWhatIsUncertainAndSaysWhereThatIs) {
  MaskMeasures clear = measures();
  predict_overlap({{{120, 220}, DoubtKind::outline, 2000}}, clear);
  EXPECT_GT(clear.predicted_overlap, 0.995);
  EXPECT_GT(clear.predicted_sigma, 0.0);
  MaskMeasures hairy = measures();
  predict_overlap({{{120, 220}, DoubtKind::outline, 2000}, {{590, 590}, DoubtKind::thin, 30'000}},
                  hairy);
  EXPECT_LT(hairy.predicted_overlap, clear.predicted_overlap - 0.03);
  EXPECT_GT(hairy.predicted_sigma, clear.predicted_sigma);
  EXPECT_EQ(hairy.doubt_px, cv::Rect(500, 520, 100, 80));
}

TEST(PredictedOverlap, IsNotGivenWithoutASpecimen) {
  MaskMeasures nothing;
  predict_overlap({}, nothing);
  EXPECT_EQ(nothing.predicted_overlap, 0.0);
  EXPECT_TRUE(nothing.doubt_px.empty());
}

}  // namespace expected_test
}  // namespace trunnion::mask
