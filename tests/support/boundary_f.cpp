#include "tests/support/boundary_f.h"

#include <algorithm>
#include <opencv2/imgproc.hpp>

namespace trunnion::test {
namespace {

cv::Mat rim_of(const cv::Mat& region) {
  cv::Mat inside;
  cv::erode(region, inside, cv::getStructuringElement(cv::MORPH_CROSS, {3, 3}), cv::Point(-1, -1),
            1, cv::BORDER_CONSTANT, cv::Scalar(255));
  return region & ~inside;
}

}  // namespace

double boundary_f(const cv::Mat& mask, const cv::Mat& truth) {
  const cv::Mat ours = rim_of(mask > 127);
  const cv::Mat theirs = rim_of(truth > 127);
  const cv::Mat disc = cv::getStructuringElement(cv::MORPH_ELLIPSE, {5, 5});
  cv::Mat near_ours;
  cv::Mat near_theirs;
  cv::dilate(ours, near_ours, disc);
  cv::dilate(theirs, near_theirs, disc);
  const double precision =
      cv::countNonZero(ours & near_theirs) / std::max(1.0, double(cv::countNonZero(ours)));
  const double recall = cv::countNonZero(theirs & near_ours) / double(cv::countNonZero(theirs));
  return 2 * precision * recall / std::max(1e-9, precision + recall);
}

}  // namespace trunnion::test
