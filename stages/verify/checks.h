// The parts of verify; private to it.
#pragma once

#include <cstdint>
#include <string>

#include "core/scene.h"
#include "stages/verify/verify.h"

namespace trunnion::verify {

constexpr std::uintmax_t kTextLimit = 1U << 30U;  // bytes of a text file that are read

// `file` is relative to the workspace.
void add_fault(VerifyResult& result, const std::string& file, const std::string& what);

// Formats and texts in prepared/ against the scene of cameras.json.
void check_formats(const fs::path& prepared, const Scene& scene, const VerifyOptions& options,
                   VerifyResult& result);

// Images, masks and sidecars against the same scene.
void check_images(const fs::path& prepared, const Scene& scene, VerifyResult& result);

// The first place where two texts differ by more than the last digits of a number, as a sentence;
// empty where they agree.
std::string text_difference(std::string_view expected, std::string_view found);

}  // namespace trunnion::verify
