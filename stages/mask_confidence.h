// Mask confidence: how far each mask can be trusted, without any truth to compare with.
//
// Four witnesses are heard:
//   prediction  the overlap that the image alone lets expect (mask_doubt.h);
//   separation  how clearly the specimen stands out along the outline (from the mask stage);
//   continuity  area and centroid along the ring: a station is compared with the mean of its two
//               neighbours, and the scatter of the ring itself says what is usual;
//   agreement   silhouettes under the known poses: the hull carved from all must meet each
//               (core/silhouette_hull.h).
// With doubtful poses all views disagree alike: that is told once for the set, and single images
// are named only where they stand out from the rest.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "core/camera.h"
#include "core/finding.h"
#include "core/mask_measures.h"
#include "core/pose.h"

namespace trunnion {

struct MaskView {
  std::string name;  // as findings name it
  std::string ring;
  double stage_angle = 0;  // rad; neighbours are found by it
  MaskMeasures measures;
  std::optional<Pose> pose;  // where every view has one, silhouettes are compared
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

}  // namespace trunnion
