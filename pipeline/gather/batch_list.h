// The list of series for a fusing program, from a mustache template of the user's own; the one that
// comes with trunnion is a shell loop over $FUSE.
//
// Fields: title; count; {{#series}} ... {{/series}} with ring, station, angle_deg, count, folder,
// fused, first, last and {{#frames}} {{file}} {{/frames}}. Paths are relative to the workspace.
// {{field}} is quoted for a POSIX shell, {{{field}}} is the text as it is.
#pragma once

#include <filesystem>
#include <string>
#include <vector>

#include "pipeline/gather/series_table.h"

namespace trunnion {

struct BatchSeries {
  SeriesRow row;
  std::vector<std::string> frames;  // relative to the workspace, in order
};

std::string batch_list(const std::filesystem::path& template_file, const std::string& title,
                       const std::vector<BatchSeries>& series);

}  // namespace trunnion
