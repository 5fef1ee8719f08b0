#include "pipeline/image_reuse.h"

#include "core/error.h"
#include "core/files.h"
#include "core/hash.h"
#include "pipeline/fingerprint.h"
#include "pipeline/image_record.h"
#include "pipeline/painted_mask.h"

namespace trunnion {
namespace {

// True where the finished pixels of this fingerprint still exist, encoded or as the final output.
bool pixels_exist(const ImageItem& item, const ImagePass& pass) {
  const fs::path& root = pass.workspace.root;
  const FileStamp encoded = stamp_of(root / item.encoded_path());
  if (encoded == FileStamp{item.result.encoded_bytes, item.result.encoded_modified_ns}) return true;
  const auto final_output = pass.journal.output(item.image_path());
  return final_output && final_output->fingerprint.starts_with(item.fingerprint + ":") &&
         stamp_of(root / item.image_path()) ==
             FileStamp{final_output->bytes, final_output->modified_ns};
}

// A painted mask that can't be read is refused for itself later; its image is not.
std::string hash_of_painted(const std::optional<fs::path>& file) {
  if (!file) return {};
  try {
    return hash_file(*file);
  } catch (const Error&) {
    return "unreadable";
  }
}

}  // namespace

std::string pixel_fingerprint(const ImageItem& item, const ImagePass& pass) {
  const Settings& settings = pass.workspace.file.settings;
  Fingerprint print("image");
  print.add(item.input_hash).add(item.station.name).add(pass.survey_fingerprint);
  for (const char* table : {"repair", "mask", "undistort", "refine", "output"}) {
    print.add(settings.written.at(table));
  }
  print.add(settings.limits.tolerate_truncated);
  print.add(pass.workspace.setup.object_pixel_um());
  for (const Camera* camera : {&pass.map.from, &pass.map.to}) {
    print.add(camera->projection).add(camera->width_px).add(camera->height_px);
    print.add(camera->fx).add(camera->fy).add(camera->cx).add(camera->cy);
    for (const double k : camera->distortion) print.add(k);
  }
  const auto user = find_user_masks(item.station.file);
  for (const auto& file : {user.add, user.subtract}) print.add(hash_of_painted(file));
  return print.hash();
}

bool reuse(ImageItem& item, const ImagePass& pass) {
  const auto recorded = pass.journal.find(item.station.name, kImageStep, item.fingerprint);
  if (!recorded) return false;
  item.result = image_result_from_bytes(*recorded);
  const OutputSettings& output = pass.workspace.file.settings.output;
  const bool mask_current = !pass.workspace.file.settings.mask.enabled ||
                            pass.outputs.current(mask_path(item.station, output), item.fingerprint);
  return mask_current && pixels_exist(item, pass);
}

}  // namespace trunnion
