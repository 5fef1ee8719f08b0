// Figures of a mask that are kept after its image is written, to compare it with its neighbours.
#pragma once

#include <opencv2/core.hpp>

namespace trunnion {

struct MaskMeasures {
  double area_px = 0;             // sum of coverage
  cv::Point2d centroid_px{0, 0};  // in the image
  cv::Rect box_px;                // of coverage above one half; empty where no specimen
  double separation = 0;          // median contrast along the outline over the low threshold
  double weak_outline = 0;        // share of the outline that stands out less than that
  double predicted_overlap =
      0;  // with the specimen, as coverage (mask/expected.h); 0: not predicted
  double predicted_sigma = 0;
  cv::Rect doubt_px;          // where most of its doubt lies
  bool touches_left = false;  // the outline runs out of the image
  bool touches_right = false;
  bool touches_top = false;
  bool touches_bottom = false;
  cv::Mat silhouette;  // CV_8U mean coverage at 1/silhouette_scale, as the image
  int silhouette_scale = 1;
};

// What a person painted in a mask. It answers the doubts that it reaches, no others.
struct HandPainting {
  bool painted = false;      // the mask is another than by contrast alone
  double changed_share = 0;  // pixels changed, share of the larger of the two masks
  double outline_share = 0;  // of the outline by contrast, what strokes cover
  // Silhouette (as MaskMeasures::silhouette) of the mask without what was taken away by hand; empty
  // where nothing was.
  cv::Mat before_subtraction;
};

}  // namespace trunnion
