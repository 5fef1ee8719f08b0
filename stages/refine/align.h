// Refine, alignment: where a point of the specimen lies in each view, by its surroundings.
//
// A blob's centre moves against the surface as the view turns, since the surface is seen
// foreshortened; by a tenth of a pixel, in like ways from view to view. So the surroundings of a
// track in its middle view are laid over every other view by an affine map (affine_patch.h), on the
// logarithm of the light: shading is a factor. On the demo the scatter of a coordinate falls to a
// third (docs/decisions/refine-matching.md).
#pragma once

#include <vector>

#include "core/camera.h"
#include "stages/refine/refine.h"
#include "stages/refine/tracks.h"

namespace trunnion::refine {

struct AlignOptions {
  double reach = 2.0;     // half width of the surroundings, in diameters of the blob
  int least_half_px = 5;  // level pixels
  int most_half_px = 25;  // level pixels
  double least_correlation = 0.8;
  double most_move_px = 1.5;  // level pixels, from the blob's centre
  int max_iterations = 40;
};

// Moves the positions of `tracks`; drops observations that don't fit the middle view and tracks
// that keep fewer than two. Views whose features carry no level (ImageFeatures::level) keep their
// blobs' centres. `camera`: of the written images.
std::vector<Track> align_tracks(std::vector<Track> tracks, const FeatureReader& features,
                                const Camera& camera, const AlignOptions& options = {});

}  // namespace trunnion::refine
