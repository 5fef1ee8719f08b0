// The empty-stage image of a workspace ([backdrop] empty): whether it fits the set, and its pixels.
#pragma once

#include <optional>

#include "core/finding.h"
#include "pipeline/workspace.h"
#include "stages/ingest/ingest.h"
#include "stages/survey/survey.h"

namespace trunnion {

// Compares header and colour profile with those of an image of the set, before any pixel is used.
// Throws a data error that names the file and what to do where size, grey or colour, or the profile
// differ; 8 beside 16 bits is no fault, both are brought to one scale. A doubt where only one of
// the two says what its profile is. Nothing where specimen.toml names no such image.
Findings check_empty_stage(const Workspace& workspace, const ingest::StationImage& of_the_set);

// Its pixels, with which specks are repaired in the set.
std::optional<survey::EmptyStage> read_empty_stage(const Workspace& workspace);

}  // namespace trunnion
