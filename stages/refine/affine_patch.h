// Lays a small patch of one picture over another by an affine map, to a few hundredths of a pixel.
//
// Inverse compositional Gauss-Newton (S. Baker and I. Matthews, "Lucas-Kanade 20 years on: a
// unifying framework", IJCV 56(3), 2004, sections 3.2 and, in part 3 of the series, for gain and
// offset): the picture's values through the map are regressed on the patch, its derivatives by the
// six parameters and a constant, so that any gain and offset fit; the equations are those of the
// patch and made once, however many pictures it is laid over.
#pragma once

#include <Eigen/Core>
#include <opencv2/core.hpp>
#include <optional>

namespace trunnion::refine {

struct AffineFit {
  cv::Point2d at;          // where the patch's point lies in the other level
  double correlation = 0;  // of the patch with what it is laid over
};

class AffinePatch {
 public:
  // Around `point` of a level: CV_8U, lowest bit 1 on the specimen, 0 beside it; the logarithm of
  // its light counts, so that shading is an offset. Not usable where it does not lie wholly in the
  // level, or shows too little to be placed.
  AffinePatch(const cv::Mat& level, const cv::Point2d& point, int half);

  [[nodiscard]] bool usable() const { return usable_; }

  // From `start` with no turn or stretch; nothing where it does not settle within
  // `max_iterations`, or less than half of it lies on the other's specimen.
  [[nodiscard]] std::optional<AffineFit> find(const cv::Mat& level, const cv::Point2d& start,
                                              int max_iterations) const;

 private:
  // Columns: pixels; rows: value less its mean, derivatives by the two rows of the map (x, y, 1
  // about the point), one.
  using Basis = Eigen::Matrix<float, 8, Eigen::Dynamic>;
  using Normal = Eigen::Matrix<double, 8, 8>;

  int half_ = 0;
  bool usable_ = false;
  cv::Point2d first_;  // of the patch's first pixel about the point
  Basis basis_;
  Normal normal_;
};

}  // namespace trunnion::refine
