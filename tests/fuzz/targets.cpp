#include "tests/fuzz/targets.h"

#include <unistd.h>

#include <fstream>

#include "config/calibration_record.h"
#include "config/capture_table.h"
#include "config/settings.h"
#include "core/error.h"
#include "core/image_io.h"
#include "core/metadata.h"
#include "stages/exports/exports.h"
#include "tests/support/samples.h"

namespace trunnion::test {
namespace {

template <typename Read>
void refused_or_read(const Read& read) {
  try {
    read();
  } catch (const Error&) {  // a clear sentence: what bad input is meant to end in
  }
}

// The extension that goes with the first bytes, so that the codec behind it is reached.
const char* extension_for(std::string_view bytes) {
  return bytes.starts_with("\x89PNG") ? ".png" : bytes.starts_with("\xFF\xD8") ? ".jpg" : ".tif";
}

// The readers of images take files; memory-backed ones.
std::filesystem::path file_of(std::string_view bytes) {
  static const std::string stem = "/dev/shm/trunnion-fuzz-" + std::to_string(getpid());
  const std::filesystem::path file = stem + extension_for(bytes);
  std::ofstream(file, std::ios::binary | std::ios::trunc) << bytes;
  return file;
}

}  // namespace

void fuzz_settings(std::string_view bytes) {
  refused_or_read([&] { (void)parse_specimen(bytes, "/nowhere/specimen.toml"); });
}

void fuzz_setup(std::string_view bytes) {
  refused_or_read([&] { (void)parse_setup(bytes, "setup.toml").nominal_camera(); });
}

void fuzz_record(std::string_view bytes) {
  refused_or_read([&] { (void)record_to_json(parse_record(bytes, "a.calibration.json")); });
}

void fuzz_capture_table(std::string_view bytes) {
  refused_or_read([&] { (void)parse_capture_table(bytes, "captures.csv"); });
}

void fuzz_template(std::string_view bytes) {
  static const Scene scene = sample_scene();
  TemplateSettings settings;
  settings.name = "poses.xml";
  refused_or_read([&] {
    (void)exports::render_template_text(scene, settings, std::string(bytes), "t.mustache");
  });
}

void fuzz_metadata(std::string_view bytes) {
  initialise_metadata();
  const std::filesystem::path file = file_of(bytes);
  refused_or_read([&] { (void)xmp_packet(read_metadata(file).xmp, true); });
  std::filesystem::remove(file);
}

void fuzz_image(std::string_view bytes) {
  const std::filesystem::path file = file_of(bytes);
  constexpr ImageLimits kSmall{.max_pixels = 1'000'000};
  refused_or_read([&] { (void)read_image(file, kSmall); });
  std::filesystem::remove(file);
}

const std::vector<std::pair<std::string, FuzzTarget*>>& fuzz_targets() {
  static const std::vector<std::pair<std::string, FuzzTarget*>> all{
      {"settings", fuzz_settings}, {"setup", fuzz_setup},
      {"record", fuzz_record},     {"capture_table", fuzz_capture_table},
      {"template", fuzz_template}, {"metadata", fuzz_metadata},
      {"image", fuzz_image},
  };
  return all;
}

}  // namespace trunnion::test
