// Mask confidence: how reliable each mask is, estimated without ground truth.
//
// Four measures are combined:
//   prediction  the overlap with the specimen that the image alone lets expect (mask/expected.h)
//   separation  contrast between specimen and backdrop along the outline (from the mask stage);
//   continuity  area and centroid along the ring: a station is compared with the mean of its two
//               neighbours; the typical difference is that of the ring itself;
//   agreement   silhouettes under the known poses: each is compared with the visual hull of all
//               (core/silhouette_hull.h).
// What a person painted is a decision: a doubt that it answers is a note, and what was removed by
// hand does not carve the hull of the other views. A doubt is answered where strokes cover as much
// of the outline as is weak, reach the place that the prediction doubts, or change as much of the
// mask as the doubt is about; a small stroke elsewhere answers nothing. Wrong poses make all views
// disagree. That is reported once for the set; single images are named only where they disagree
// clearly more than the rest.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "core/camera.h"
#include "core/finding.h"
#include "core/mask_measures.h"
#include "core/pose.h"

namespace trunnion::mask_confidence {

struct MaskView {
  std::string name;  // as findings name it
  std::string ring;
  double stage_angle = 0;  // rad; neighbours are found by it
  MaskMeasures measures;
  std::optional<Pose> pose;  // where every view has one, silhouettes are compared
  HandPainting by_hand;
};

struct MaskScore {
  double separation = 1;  // 0..1
  double continuity = 1;  // 0..1
  double agreement = 1;   // 0..1; share of the silhouette met by the hull
  double missing = 0;     // what the other views show and this one lacks, share of its silhouette
  double score = 1;       // least of the three and of the predicted overlap
  bool doubtful = false;
};

struct MaskConfidence {
  std::vector<MaskScore> scores;  // one a view
  bool compared = false;          // poses were known and silhouettes compared
  double mean_agreement = 1;
  Findings findings;  // one a doubtful image, with the reason
};

// `camera` is that of the masks (with distortion).
MaskConfidence mask_confidence(const std::vector<MaskView>& views, const Camera& camera);

}  // namespace trunnion::mask_confidence
