// What the fuzz targets start from.
#pragma once

#include <filesystem>

namespace trunnion::test {

// Writes small valid inputs and the hand-made broken ones below `folder`, one folder a target.
void write_seed_inputs(const std::filesystem::path& folder);

}  // namespace trunnion::test
