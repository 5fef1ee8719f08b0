#include "tests/fuzz/seed_inputs.h"

#include <opencv2/imgcodecs.hpp>

#include "config/calibration_record.h"
#include "config/share.h"
#include "core/files.h"
#include "core/metadata.h"
#include "tests/support/bad_images.h"
#include "tests/support/samples.h"

namespace trunnion::test {
namespace {

void copy_all(const fs::path& from, const fs::path& to) {
  fs::create_directories(to);
  for (const auto& entry : fs::directory_iterator(from)) {
    fs::copy_file(entry.path(), to / entry.path().filename(), fs::copy_options::overwrite_existing);
  }
}

void write_images(const fs::path& folder) {
  for (const int bits : {CV_8U, CV_16U}) {
    for (const FileType type : {FileType::tiff, FileType::png, FileType::jpeg}) {
      if (type == FileType::jpeg && bits == CV_16U) continue;
      const fs::path file =
          folder / ("good_" + std::to_string(bits) + std::string(extension_of(type)));
      fs::create_directories(folder);
      write_image(file, sample_image(17, 13, bits, 3), {.type = type});
      Metadata metadata;
      metadata.exif["Exif.Image.Make"] = "maker";
      metadata.exif["Exif.Photo.FocalLength"] = Exiv2::Rational(100, 1);
      metadata.exif["Exif.Photo.MakerNote"] = "opaque";
      metadata.iptc["Iptc.Application2.Caption"] = "caption";
      metadata.xmp["Xmp.dc.title"] = "lang=x-default title";
      metadata.icc = icc_profile(false);
      (void)write_metadata(file, type, metadata);
    }
  }
  for (const BadImage& bad : bad_images(17, 13)) {
    write_file(folder / (bad.name + bad.extension), bad.bytes);
  }
}

}  // namespace

void write_seed_inputs(const fs::path& folder) {
  copy_all(share_folder() / "presets", folder / "setup");
  copy_all(share_folder() / "templates", folder / "template");
  write_file(folder / "template/sections",
             "{{#views}}{{^has_mask}}{{{name}}}{{/has_mask}}{{! no }}{{/views}}");
  write_file(folder / "settings/all",
             "title=\"a\"\nsetup=\"../a.toml\"\n[[ring]]\nname=\"a\"\nelevation_deg=3\nstations=4\n"
             "step_deg=90\nturning=\"clockwise\"\npattern=\"f/{station}.tif\"\n[geometry]\n"
             "distance_mm=200\n[mask]\nmargin_px=1.5\nmount=\"below-line\"\nmount_line_px=4\n"
             "[undistort]\nsize=\"valid\"\n[refine]\nenabled=false\n[output]\ntype=\"png\"\n"
             "[[output.template]]\nfile=\"matrix\"\nname=\"a.txt\"\n[limits]\nmax_megapixels=4\n");
  write_file(folder / "capture_table/all",
             "file,ring,station,angle_deg\n\"a \"\"b\"\".tif\",low,3,4.5\r\nb.tif,low,4,\n");
  CalibrationRecord record = record_for(sample_setup());
  record.lens.emplace();
  record.lens->camera = sample_scene().source_camera;
  record.lens->quality = "good";
  record.axis.emplace();
  record.axis->rings.emplace_back();
  write_file(folder / "record/all", record_to_json(record));
  write_images(folder / "image");
  copy_all(folder / "image", folder / "metadata");
}

}  // namespace trunnion::test
