// How one image was exposed and how sharp it is: what is compared over the stations of a set.
#pragma once

namespace trunnion {

struct ViewMeasures {
  double backdrop_level = 0;  // relative to the survey's backdrop; 0 where it is unknown
  double specimen_level = 0;  // median brightness inside the mask, share of full scale; 0: no mask
  double sharpness = 0;       // inside the mask, relative units comparable within a set
  double clipped_high = 0;    // fraction of the specimen's pixels
  double clipped_low = 0;
  double edge_sigma_px = 0;  // spread of the outlines, measured by check; 0: unknown
};

}  // namespace trunnion
