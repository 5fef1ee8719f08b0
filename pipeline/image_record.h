// What the journal keeps of an image's pass, as bytes; and how finished pixels are found again
// under their final name.
#pragma once

#include <filesystem>
#include <string>
#include <string_view>

#include "pipeline/image_pass.h"

namespace trunnion {

std::string image_result_to_bytes(const ImageResult& result);
ImageResult image_result_from_bytes(std::string_view bytes);

std::string findings_to_bytes(const Findings& findings);
Findings findings_from_bytes(std::string_view bytes);

// First bytes of a file.
std::string read_head(const std::filesystem::path& file, std::size_t bytes);

}  // namespace trunnion
