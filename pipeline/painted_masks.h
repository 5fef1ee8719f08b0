// Masks painted by the user beside the fused image: NAME.mask-add.png, NAME.mask-subtract.png.
#pragma once

#include <filesystem>
#include <optional>

#include "stages/mask.h"

namespace trunnion {

struct UserMasks {
  std::optional<std::filesystem::path> add;
  std::optional<std::filesystem::path> subtract;
};
UserMasks find_user_masks(const std::filesystem::path& fused_image);

// Nothing is painted where the file is `missing` pixels (see read_image). Throws a data error where
// a painted mask has another size than the image.
void apply_user_masks(MaskResult& mask, const UserMasks& user, const cv::Rect& missing);

}  // namespace trunnion
