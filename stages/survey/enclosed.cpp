#include "stages/survey/enclosed.h"

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <opencv2/imgproc.hpp>
#include <vector>

#include "core/contrast.h"
#include "stages/survey/surface.h"
#include "stages/survey/visibility.h"

namespace trunnion::survey {
namespace {

// Of the longer side of the image.
constexpr double kDiscShare = 0.06;    // radius of the disc: half the widest gap in a line of steps
constexpr double kBroadShare = 0.011;  // half the width of the narrowest body
constexpr double kBesideShare = 0.022;       // from what moves
constexpr double kContactShare = 0.06;       // with the frame's edge: a mount at most
constexpr float kLeastStep = 2.5F;           // L*a*b*, over two blocks
constexpr float kStepsOfBackdrop = 4.0F;     // times what most of the still region has
constexpr double kMostOfBackdrop = 0.8;      // of it: what a specimen in it may leave
constexpr float kLeastDifference = 5.0F;     // L*a*b*, from the continued backdrop
constexpr float kDoubtfulDifference = 2.0F;  // may be a pale body on white, or a mark
constexpr double kSteppedShare = 0.5;        // of a part's outline
constexpr double kMovingShare = 0.0005;      // of the image: less is noise

// Distance in L*a*b* over two blocks, the greater of both directions.
cv::Mat steps_of(const cv::Mat& lab) {
  cv::Mat steps = cv::Mat::zeros(lab.size(), CV_32FC1);
  for (int y = 1; y + 1 < lab.rows; ++y) {
    for (int x = 1; x + 1 < lab.cols; ++x) {
      const double across = cv::norm(lab.at<cv::Vec3f>(y, x + 1) - lab.at<cv::Vec3f>(y, x - 1));
      const double along = cv::norm(lab.at<cv::Vec3f>(y + 1, x) - lab.at<cv::Vec3f>(y - 1, x));
      steps.at<float>(y, x) = static_cast<float>(std::max(across, along));
    }
  }
  return steps;
}

float step_limit(const cv::Mat& steps, const cv::Mat& still) {
  std::vector<float> values;
  for (int y = 0; y < steps.rows; ++y) {
    for (int x = 0; x < steps.cols; ++x) {
      if (still.at<std::uint8_t>(y, x) != 0) values.push_back(steps.at<float>(y, x));
    }
  }
  if (values.empty()) return kLeastStep;
  const auto rank = values.begin() + static_cast<std::ptrdiff_t>(
                                         kMostOfBackdrop * static_cast<double>(values.size() - 1));
  std::nth_element(values.begin(), rank, values.end());
  return std::max(kLeastStep, kStepsOfBackdrop * *rank);
}

// Farther than `radius` from what is not `region`; beyond the frame's edge lies `beyond`.
cv::Mat eroded(const cv::Mat& region, int radius, int beyond) {
  cv::Mat framed;
  const int rim = radius + 1;
  cv::copyMakeBorder(region, framed, rim, rim, rim, rim, cv::BORDER_CONSTANT, cv::Scalar(beyond));
  cv::Mat distance;
  cv::distanceTransform(framed, distance, cv::DIST_L2, cv::DIST_MASK_5);
  return cv::Mat(distance(cv::Rect({rim, rim}, region.size())) > static_cast<float>(radius));
}

cv::Mat dilated(const cv::Mat& region, int radius) {
  return ~eroded(~region, radius, 255);
}

// The parts of `differs` that may be specimen, see enclosed.h.
class Judge {
 public:
  Judge(const cv::Mat& still, const cv::Mat& stepped) : still_(still), stepped_(stepped) {
    const int longest = std::max(still.cols, still.rows);
    broad_ = blocks(kBroadShare, longest);
    contact_ = blocks(kContactShare, longest);
    cv::Mat moving;
    cv::morphologyEx(~still, moving, cv::MORPH_OPEN, cv::Mat());
    const bool anything =
        cv::countNonZero(moving) > kMovingShare * static_cast<double>(moving.total());
    beside_ = anything ? dilated(moving, blocks(kBesideShare, longest))
                       : cv::Mat(still.size(), CV_8U, cv::Scalar(255));
  }
  static int blocks(double share, int longest) {
    return std::max(2, static_cast<int>(std::lround(share * longest)));
  }
  // `differs`: from the continued backdrop at all; `clearly`: by enough to be sure.
  [[nodiscard]] EnclosedParts parts_of(const cv::Mat& differs, const cv::Mat& clearly) const {
    EnclosedParts parts{cv::Mat::zeros(differs.size(), CV_8U), {}};
    const cv::Mat broad = eroded(differs, broad_, 0);
    const cv::Mat sure = eroded(clearly, broad_, 0);
    cv::Mat labels;
    const int count =
        cv::countNonZero(broad) > 0 ? cv::connectedComponents(differs, labels, 8, CV_32S) : 0;
    for (int k = 1; k < count; ++k) {
      const cv::Mat part = labels == k;
      if (cv::countNonZero(part & broad) == 0 || cv::countNonZero(part & beside_) == 0 ||
          contact(part) > contact_) {
        continue;
      }
      const double stepped = std::max(stepped_share(part), stepped_share(part & clearly));
      if (stepped < kSteppedShare) continue;
      if (cv::countNonZero(part & sure) > 0) {
        parts.specimen |= part;
      } else {
        parts.doubtful |= cv::boundingRect(part);
      }
    }
    return parts;
  }

 private:
  // Blocks of the frame's edge that the part touches.
  static int contact(const cv::Mat& part) {
    return cv::countNonZero(part.row(0)) + cv::countNonZero(part.row(part.rows - 1)) +
           cv::countNonZero(part.col(0)) + cv::countNonZero(part.col(part.cols - 1));
  }
  // Of the outline towards what stands still.
  [[nodiscard]] double stepped_share(const cv::Mat& part) const {
    const cv::Mat rim = dilated(part, 1) & ~part & still_;
    cv::Mat near;
    cv::dilate(stepped_, near, cv::Mat());
    return cv::countNonZero(rim & near) / std::max(1.0, static_cast<double>(cv::countNonZero(rim)));
  }

  cv::Mat still_, stepped_, beside_;
  int broad_ = 0;
  int contact_ = 0;
};

}  // namespace

EnclosedParts enclosed_parts(const cv::Mat& value, const cv::Mat& still) {
  const int radius = Judge::blocks(kDiscShare, std::max(value.cols, value.rows));
  cv::Mat smooth;
  cv::blur(value, smooth, {3, 3});
  const cv::Mat lab = to_lab(smooth, 65535.0);
  const cv::Mat joined = joined_to_edge(still);
  const cv::Mat steps = steps_of(lab);
  const float limit = step_limit(steps, joined);
  const cv::Mat stepped = steps >= limit;
  const cv::Mat centres = joined_to_edge(eroded(joined & ~stepped, radius, 255));
  const cv::Mat reached = dilated(centres, radius) & joined;
  const cv::Mat left = joined & ~reached;
  if (cv::countNonZero(left) == 0 || cv::countNonZero(reached) == 0) {
    return {cv::Mat::zeros(still.size(), CV_8U), {}};
  }

  const cv::Mat behind = to_lab(continue_smoothly(value, reached), 65535.0);
  cv::Mat difference(lab.size(), CV_32FC1);
  for (int y = 0; y < lab.rows; ++y) {
    for (int x = 0; x < lab.cols; ++x) {
      difference.at<float>(y, x) =
          static_cast<float>(cv::norm(lab.at<cv::Vec3f>(y, x) - behind.at<cv::Vec3f>(y, x)));
    }
  }
  const float sure = std::max(kLeastDifference, limit);
  const float perhaps = std::max(kDoubtfulDifference, 0.5F * limit);
  return Judge(still, stepped)
      .parts_of(left & (difference >= perhaps), left & (difference >= sure));
}

}  // namespace trunnion::survey
