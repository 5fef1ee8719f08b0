#include "stages/mask_confidence/mask_confidence.h"

#include <gtest/gtest.h>

#include <Eigen/Geometry>
#include <opencv2/imgproc.hpp>

#include "core/angle.h"
#include "core/turntable.h"

namespace trunnion::mask_confidence {
namespace mask_confidence_test {

constexpr int kViews = 24;

Camera camera() {
  Camera result;
  result.width_px = 200;
  result.height_px = 160;
  result.fx = result.fy = 400;
  result.cx = 99.5;
  result.cy = 79.5;
  return result;
}

// Silhouettes of a tilted ellipsoid, exact: an ellipsoid x^T Q x = 1 shows as the pixels whose ray
// o + s d meets it, (o Q d)^2 >= (d Q d)(o Q o - 1).
std::vector<MaskView> views() {
  const Eigen::Matrix3d turn =
      rotation_about(Eigen::Vector3d(1, 2, 0.5).normalized(), radians(35.0));
  const Eigen::Matrix3d Q =
      turn * Eigen::Vector3d(1 / 64.0, 1 / 225.0, 1 / 144.0).asDiagonal() * turn.transpose();
  const Axis axis = nominal_axis(200.0, radians(20.0));
  std::vector<MaskView> result;
  for (int k = 0; k < kViews; ++k) {
    MaskView view;
    view.name = "view" + std::to_string(k);
    view.ring = "ring";
    view.stage_angle = radians(15.0 * k);
    const Pose pose = pose_at(axis, view.stage_angle);
    view.pose = pose;
    const Eigen::Vector3d o = pose.centre_mm();
    cv::Mat& mask = view.measures.silhouette;
    mask = cv::Mat::zeros(camera().height_px, camera().width_px, CV_8U);
    for (int y = 0; y < mask.rows; ++y) {
      for (int x = 0; x < mask.cols; ++x) {
        const Eigen::Vector2d n = normalise(camera(), {x, y});
        const Eigen::Vector3d d = pose.R.transpose() * n.homogeneous();
        const double b = o.dot(Q * d);
        if (b * b >= d.dot(Q * d) * (o.dot(Q * o) - 1)) mask.at<uchar>(y, x) = 255;
      }
    }
    result.push_back(view);
  }
  return result;
}

void measure(MaskView& view) {
  const cv::Moments m = cv::moments(view.measures.silhouette, true);
  view.measures.area_px = m.m00;
  view.measures.centroid_px = {m.m10 / m.m00, m.m01 / m.m00};
  view.measures.separation = 5;
}

TEST(MaskConfidence, TrustsSilhouettesOfOneSolidUnderItsPoses) {
  std::vector<MaskView> set = views();
  for (MaskView& view : set) measure(view);
  const MaskConfidence result = mask_confidence(set, camera());
  EXPECT_TRUE(result.compared);
  EXPECT_GE(result.mean_agreement, 0.99);
  EXPECT_TRUE(result.findings.empty());
  for (const MaskScore& score : result.scores) EXPECT_GE(score.score, 0.9);
}

// An empty silhouette carves everything away: it must be named and left out of the comparison.
TEST(MaskConfidence, AnEmptyMaskLeavesTheOthersTheirAgreement) {
  std::vector<MaskView> set = views();
  for (MaskView& view : set) measure(view);
  MaskMeasures& empty = set[9].measures;
  empty.silhouette.setTo(0);
  empty.area_px = 0;
  empty.centroid_px = {};
  empty.separation = 0;
  const MaskConfidence result = mask_confidence(set, camera());
  EXPECT_TRUE(result.compared);
  EXPECT_GE(result.mean_agreement, 0.99);
  EXPECT_EQ(result.scores[9].score, 0);
  for (const MaskScore& score : result.scores) EXPECT_GE(score.agreement, 0.99);
  for (const Finding& finding : result.findings) EXPECT_EQ(finding.file, "view9") << finding.what;
}

TEST(MaskConfidence, NamesTheMaskThatLacksAPartAndTheOneThatShowsTooMuch) {
  std::vector<MaskView> set = views();
  cv::Mat& eaten = set[7].measures.silhouette;
  eaten.rowRange(0, 72).setTo(0);
  cv::rectangle(set[15].measures.silhouette, cv::Rect(112, 70, 40, 14), cv::Scalar(255),
                cv::FILLED);
  for (MaskView& view : set) measure(view);
  const MaskConfidence result = mask_confidence(set, camera());
  for (int k = 0; k < kViews; ++k) {
    EXPECT_EQ(result.scores[static_cast<std::size_t>(k)].doubtful, k == 7 || k == 15) << k;
  }
  // The part that view 7 lacks is shown by all others, and no other mask is blamed for it.
  EXPECT_GT(result.scores[7].missing, 0.1);
  EXPECT_LT(result.scores[15].agreement, result.scores[12].agreement - 0.02);
}

TEST(MaskConfidence, DoubtsMasksThatAreExpectedToMissAndSaysWhere) {
  std::vector<MaskView> set = views();
  for (MaskView& view : set) {
    measure(view);
    view.measures.predicted_overlap = 0.99;
    view.measures.predicted_sigma = 0.004;
  }
  EXPECT_TRUE(mask_confidence(set, camera()).findings.empty());
  MaskMeasures& poor = set[5].measures;
  poor.predicted_overlap = 0.95;
  poor.predicted_sigma = 0.012;
  poor.doubt_px = {40, 30, 25, 20};
  const MaskConfidence one = mask_confidence(set, camera());
  ASSERT_EQ(one.findings.size(), 1U);
  EXPECT_EQ(one.findings[0].file, "view5");
  EXPECT_EQ(one.findings[0].severity, Severity::doubt);
  EXPECT_NE(one.findings[0].what.find("columns 40 to 64, rows 30 to 49"), std::string::npos)
      << one.findings[0].what;
  EXPECT_TRUE(one.scores[5].doubtful);
  EXPECT_LE(one.scores[5].score, 0.95);
  // All of a set alike: reported once, with the poorest.
  for (MaskView& view : set) view.measures.predicted_overlap = 0.955;
  poor.predicted_overlap = 0.94;
  const MaskConfidence all = mask_confidence(set, camera());
  ASSERT_EQ(all.findings.size(), 1U);
  EXPECT_NE(all.findings[0].what.find("view5"), std::string::npos) << all.findings[0].what;
  EXPECT_TRUE(all.scores[0].doubtful && all.scores[5].doubtful);
}

TEST(MaskConfidence, TakesWhatAPersonRemovedForDecidedAndBlamesNoOtherMask) {
  std::vector<MaskView> set = views();
  // The upper part of the specimen is taken away by hand at one station.
  MaskView& cut = set[7];
  const cv::Mat whole = cut.measures.silhouette.clone();
  cut.by_hand.painted = true;
  cut.by_hand.before_subtraction = cut.measures.silhouette.clone();
  cut.measures.silhouette.rowRange(0, 72).setTo(0);
  cut.by_hand.changed_share = 1 - cv::sum(cut.measures.silhouette)[0] / cv::sum(whole)[0];
  for (MaskView& view : set) measure(view);
  const MaskConfidence by_hand = mask_confidence(set, camera());
  ASSERT_FALSE(by_hand.findings.empty());
  for (const Finding& finding : by_hand.findings) {
    EXPECT_EQ(finding.severity, Severity::note) << finding.what;
    EXPECT_EQ(finding.file, "view7");
  }
  for (int k = 0; k < kViews; ++k) {
    EXPECT_FALSE(by_hand.scores[static_cast<std::size_t>(k)].doubtful) << k;
  }
  EXPECT_GE(by_hand.mean_agreement, 0.99);
  EXPECT_LT(by_hand.scores[7].missing, 0.01);
  // The same without a hand is a doubt.
  cut.by_hand = {};
  EXPECT_TRUE(mask_confidence(set, camera()).scores[7].doubtful);
  // So it is where the hand painted something small elsewhere.
  cut.by_hand.painted = true;
  cut.by_hand.changed_share = 0.01;
  EXPECT_TRUE(mask_confidence(set, camera()).scores[7].doubtful);
}

TEST(MaskConfidence, AStrokeAnswersAWeakOutlineOnlyWhereItCoversAsMuch) {
  std::vector<MaskView> set = views();
  for (MaskView& view : set) measure(view);
  set[3].measures.weak_outline = 0.7;
  set[3].by_hand.painted = true;
  set[3].by_hand.outline_share = 0.05;
  EXPECT_TRUE(mask_confidence(set, camera()).scores[3].doubtful);
  set[3].by_hand.outline_share = 0.8;
  EXPECT_FALSE(mask_confidence(set, camera()).scores[3].doubtful);
}

TEST(MaskConfidence, StillDoubtsAMaskThatWasPaintedAwayAsAWhole) {
  std::vector<MaskView> set = views();
  for (MaskView& view : set) measure(view);
  set[7].by_hand.painted = true;
  set[7].by_hand.before_subtraction = set[7].measures.silhouette.clone();
  set[7].measures.silhouette.setTo(0);
  set[7].measures.area_px = 0;
  EXPECT_TRUE(mask_confidence(set, camera()).scores[7].doubtful);
}

}  // namespace mask_confidence_test
}  // namespace trunnion::mask_confidence
