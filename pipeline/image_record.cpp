#include "pipeline/image_record.h"

#include <fstream>

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
  archive(result.before_subtraction);
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

}  // namespace trunnion
