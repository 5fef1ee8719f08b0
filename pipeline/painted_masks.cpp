#include "pipeline/painted_masks.h"

#include <fmt/format.h>

#include "core/error.h"
#include "core/image_io.h"

namespace trunnion {
namespace {

namespace fs = std::filesystem;

cv::Mat painted(const std::optional<fs::path>& file) {
  return file ? read_image(*file) : cv::Mat();
}

}  // namespace

UserMasks find_user_masks(const fs::path& fused_image) {
  UserMasks user;
  const auto look = [&](const char* suffix, std::optional<fs::path>& place) {
    const fs::path file = fused_image.parent_path() / (fused_image.stem().string() + suffix);
    if (fs::exists(file)) place = file;
  };
  look(".mask-add.png", user.add);
  look(".mask-subtract.png", user.subtract);
  return user;
}

void apply_user_masks(MaskResult& mask, const UserMasks& user, const cv::Rect& missing) {
  for (const auto& file : {user.add, user.subtract}) {
    if (!file) continue;
    const ImageInfo info = probe_image(*file);
    if (info.width_px != mask.coverage.cols || info.height_px != mask.coverage.rows) {
      throw data_error(fmt::format(
          "{}: is {} x {} pixels, but its image is {} x {}; paint the mask "
          "at the size of the fused image.",
          file->string(), info.width_px, info.height_px, mask.coverage.cols, mask.coverage.rows));
    }
  }
  const MaskMeasures before = mask.measures;
  const cv::Mat add = painted(user.add);
  const cv::Mat subtract = painted(user.subtract);
  mask.coverage = apply_user_mask(mask.coverage, add, subtract);
  mask.outline = apply_user_mask(mask.outline, add, subtract);
  mask.coverage(missing).setTo(0);
  mask.outline(missing).setTo(0);
  mask.measures = measure_mask(mask.outline);
  mask.measures.separation = before.separation;
  mask.measures.weak_outline = before.weak_outline;
}

}  // namespace trunnion
