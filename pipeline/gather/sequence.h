// Part of gather: frames that were read, put in order, cut into series, judged and given a place.
#pragma once

#include <vector>

#include "core/finding.h"
#include "pipeline/gather/frame_store.h"
#include "pipeline/gather/gather_run.h"
#include "pipeline/gather/series_table.h"
#include "stages/gather/gather.h"

namespace trunnion {

// A frame of the sequence: what is known of it, its original, and where it can be read.
struct SourceFrame {
  gather::Frame facts;
  FrameSource source;
  fs::path readable_at;
};

struct Sequence {
  std::vector<SourceFrame> frames;  // in the order of shooting; of the facts only the time is left
  gather::Gathering gathering;
  std::vector<SeriesRow> rows;
  std::vector<StoreChange> changes;
  Findings findings;  // of sorting
  Findings faults;    // of the frames, see judge_parts()
};

// `corrected`: see corrected_series.h.
Sequence analyse(std::vector<SourceFrame> sources, const std::vector<ExpectedStation>& expected,
                 const std::vector<SeriesRow>& corrected, bool use_previews);

}  // namespace trunnion
