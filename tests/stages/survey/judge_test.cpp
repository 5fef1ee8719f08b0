#include "stages/survey/judge.h"

#include <gtest/gtest.h>

namespace trunnion::survey {
namespace judge_test {

constexpr int kSide = 120;
constexpr float kWeight = 4e4F;  // 1 / variance: noise of half a percent

StaticGradient empty_field(int side) {
  StaticGradient field;
  for (cv::Mat* map : {&field.x, &field.y, &field.texture})
    *map = cv::Mat::zeros(side, side, CV_32FC1);
  field.weight_x = cv::Mat(side, side, CV_32FC1, cv::Scalar(kWeight));
  field.weight_y = field.weight_x.clone();
  return field;
}

void put_in(StaticGradient& field, Speck speck, double scale) {
  speck.depth = -speck.depth;
  take_out(field, speck, scale);
}

class SurveyJudge : public testing::Test {
 protected:
  SurveyJudge() {
    truth_.centre = {60.5, 60.5};
    truth_.diameter = 10;
    truth_.depth = 0.08;
    levels_.push_back({empty_field(kSide), 1, {}});
    levels_.push_back({empty_field(kSide / 2), 2, {}});
    for (Level& level : levels_) put_in(level.field, truth_, level.scale);
    candidate_.level = 1;
    candidate_.speck = truth_;
    candidate_.speck.centre = {30, 30};
    candidate_.speck.diameter = 5;
    candidate_.speck.strength = 20;
  }

  // An edge through one side of the speck, on the coarse level alone.
  void spoil_coarse() {
    levels_[1].field.x(cv::Rect(32, 24, 1, 13)).setTo(-0.15F);
    levels_[1].field.x(cv::Rect(28, 24, 1, 13)).setTo(-0.12F);
  }

  [[nodiscard]] SpeckJudgement judged() const {
    const std::vector<cv::Mat> none;
    return SpeckJudge(none, noise_, options_).judge(levels_, candidate_);
  }

  Speck truth_;
  std::vector<Level> levels_;
  Candidate candidate_;
  LightNoise noise_;
  SearchOptions options_;
};

TEST_F(SurveyJudge, ASpeckIsTakenFromItsOwnLevel) {
  const SpeckJudgement found = judged();
  ASSERT_EQ(found.verdict, SpeckVerdict::speck);
  EXPECT_NEAR(found.speck.centre.x, truth_.centre.x, 0.5);
  EXPECT_NEAR(found.speck.depth, truth_.depth, 0.01);
}

TEST_F(SurveyJudge, ACoarseCandidateThatItsNeighbourhoodSpoilsIsFittedOnTheFinestLevel) {
  spoil_coarse();
  const SpeckJudgement found = judged();
  ASSERT_EQ(found.verdict, SpeckVerdict::speck);
  EXPECT_NEAR(found.speck.centre.x, truth_.centre.x, 0.5);
  EXPECT_NEAR(found.speck.centre.y, truth_.centre.y, 0.5);
  EXPECT_NEAR(found.speck.diameter, truth_.diameter, 1);
  EXPECT_NEAR(found.speck.depth, truth_.depth, 0.01);
}

TEST_F(SurveyJudge, NotWhereTheFinestLevelHasTexture) {
  spoil_coarse();
  levels_[0].field.texture.setTo(1);
  EXPECT_EQ(judged().verdict, SpeckVerdict::none);
}

}  // namespace judge_test
}  // namespace trunnion::survey
