// Masks painted by a person beside the fused image: NAME.mask-add.png, NAME.mask-subtract.png.
//
// Read leniently, since painting programs save them as they like: PNG of 1 to 16 bits, grey, colour
// or palette, with or without alpha. What can't be read as a mask, or has another size than its
// image, is refused for itself: the station keeps the mask without it, and a doubt says so.
#pragma once

#include <filesystem>
#include <opencv2/core.hpp>
#include <optional>

#include "stages/mask/mask.h"

namespace trunnion {

struct UserMasks {
  std::optional<std::filesystem::path> add;
  std::optional<std::filesystem::path> subtract;
};

UserMasks find_user_masks(const std::filesystem::path& fused_image);

// 8 or 16 bit, 1, 3 or 4 channels. Throws a data error that names the file where it is no PNG,
// damaged, or of another size.
cv::Mat read_painted_mask(const std::filesystem::path& file, const cv::Size& image);

// Applies them to coverage and outline, measures again, and adds to the findings what was done (a
// note: a person has decided) and what could not be read. Nothing is painted where the file is
// `missing` pixels (see read_image). The predicted overlap stays where no stroke reaches the
// rectangle that holds most of its doubt.
HandPainting apply_user_masks(mask::MaskResult& mask, const UserMasks& user,
                              const cv::Rect& missing);

}  // namespace trunnion
