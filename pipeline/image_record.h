// What the journal keeps of an image's pass, as bytes; and how finished pixels are found again
// under their final name.
#pragma once

#include <filesystem>
#include <optional>
#include <string>
#include <string_view>

#include "pipeline/image_pass.h"
#include "stages/mask.h"

namespace trunnion {

std::string image_result_to_bytes(const ImageResult& result);
ImageResult image_result_from_bytes(std::string_view bytes);

std::string findings_to_bytes(const Findings& findings);
Findings findings_from_bytes(std::string_view bytes);

// First bytes of a file.
std::string read_head(const std::filesystem::path& file, std::size_t bytes);

// Masks painted by the user beside the fused image: NAME.mask-add.png, NAME.mask-subtract.png.
struct UserMasks {
  std::optional<std::filesystem::path> add;
  std::optional<std::filesystem::path> subtract;
};
UserMasks find_user_masks(const std::filesystem::path& fused_image);
// Nothing is painted where the file is `missing` pixels (see read_image).
void apply_user_masks(MaskResult& mask, const UserMasks& user, const cv::Rect& missing);

}  // namespace trunnion
