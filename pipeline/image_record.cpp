#include "pipeline/image_record.h"

#include <fmt/format.h>

#include <fstream>

#include "core/error.h"
#include "core/image_io.h"
#include "pipeline/archive.h"

namespace trunnion {
namespace {

namespace fs = std::filesystem;

template <typename Archive>
void fields(Archive& archive, ImageResult& result) {
  archive(result.type);
  archive(result.channels);
  archive(result.bits);
  archive(result.spots_repaired);
  archive(result.user_mask);
  archive(result.encoded_bytes);
  archive(result.encoded_modified_ns);
  archive(result.encoded_head);
  MaskMeasures& mask = result.mask;
  archive(mask.area_px);
  archive(mask.centroid_px);
  archive(mask.box_px);
  archive(mask.separation);
  archive(mask.weak_outline);
  archive(mask.predicted_overlap);
  archive(mask.predicted_sigma);
  archive(mask.doubt_px);
  archive(mask.touches_left);
  archive(mask.touches_right);
  archive(mask.touches_top);
  archive(mask.touches_bottom);
  archive(mask.silhouette);
  archive(mask.silhouette_scale);
  archive(result.view);
  archive_findings(archive, result.findings);
}

cv::Mat painted(const std::optional<fs::path>& file) {
  return file ? read_image(*file) : cv::Mat();
}

}  // namespace

std::string image_result_to_bytes(const ImageResult& result) {
  return to_archive(result, [](auto& archive, ImageResult& value) { fields(archive, value); });
}

ImageResult image_result_from_bytes(std::string_view bytes) {
  return from_archive<ImageResult>(
      bytes, [](auto& archive, ImageResult& value) { fields(archive, value); });
}

std::string findings_to_bytes(const Findings& findings) {
  return to_archive(findings,
                    [](auto& archive, Findings& value) { archive_findings(archive, value); });
}

Findings findings_from_bytes(std::string_view bytes) {
  return from_archive<Findings>(
      bytes, [](auto& archive, Findings& value) { archive_findings(archive, value); });
}

std::string read_head(const fs::path& file, std::size_t bytes) {
  std::string head(bytes, '\0');
  std::ifstream stream(file, std::ios::binary);
  stream.read(head.data(), static_cast<std::streamsize>(bytes));
  head.resize(static_cast<std::size_t>(std::max<std::streamsize>(stream.gcount(), 0)));
  return head;
}

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
