#include "stages/annotate/annotate.h"

#include <fmt/format.h>

#include <cmath>
#include <cstdlib>
#include <set>

#include "core/date.h"
#include "core/hash.h"
#include "core/text.h"
#include "stages/annotate/policy.h"
#include "stages/annotate/record.h"
#include "stages/annotate/xmp.h"

namespace trunnion::annotate {
namespace {

using ExifKey = Exiv2::ExifKey;

constexpr double kFilmDiagonal_mm = 43.26661530556787;  // of 36 mm x 24 mm

// The nearest fraction with a power of ten below it, of 9 significant digits. It keeps to 31 bits:
// some readers take the standard's unsigned numbers for signed ones.
Exiv2::URational rational(double value) {
  std::uint32_t denominator = 1;
  while (denominator < 100'000'000 && value * denominator * 10.0 < 2.0e9) denominator *= 10;
  auto numerator = static_cast<std::uint32_t>(std::llround(value * denominator));
  while (denominator > 1 && numerator % 10 == 0) {
    numerator /= 10;
    denominator /= 10;
  }
  return {numerator, denominator};
}

class ExifWriter {
 public:
  explicit ExifWriter(Exiv2::ExifData& exif) : exif_(exif) {}
  void text(const char* key, const std::string& value) {
    Exiv2::AsciiValue ascii;
    ascii.read(value);  // ends it in NUL, as the constructor does not
    set(key, ascii);
  }
  void shorts(const char* key, const std::vector<std::uint16_t>& values) {
    Exiv2::UShortValue list;
    list.value_ = values;
    set(key, list);
  }
  void count(const char* key, int value) {
    Exiv2::ULongValue list;
    list.value_ = {static_cast<std::uint32_t>(value)};
    set(key, list);
  }
  void number(const char* key, double value) {
    Exiv2::URationalValue list;
    list.value_ = {rational(value)};
    set(key, list);
  }
  void bytes(const char* key, const std::string& value) {
    Exiv2::DataValue data(Exiv2::undefined);
    data.read(reinterpret_cast<const Exiv2::byte*>(value.data()), static_cast<long>(value.size()));
    set(key, data);
  }
  void remove(const char* key) {
    const auto at = exif_.findKey(ExifKey(key));
    if (at != exif_.end()) exif_.erase(at);
  }
  [[nodiscard]] bool has(const char* key) const {
    return exif_.findKey(ExifKey(key)) != exif_.end();
  }

 private:
  void set(const char* key, const Exiv2::Value& value) {
    remove(key);  // assigning would keep the old type
    exif_.add(ExifKey(key), &value);
  }
  Exiv2::ExifData& exif_;
};

// What readers of the standard expect in every file (Exif 2.32, 4.6.4 and 4.6.5, mandatory tags).
void write_mandatory(ExifWriter& exif, const Scene& scene, const AnnotationInput& input,
                     bool srgb) {
  if (!exif.has("Exif.Image.XResolution") || !exif.has("Exif.Image.YResolution")) {
    exif.number("Exif.Image.XResolution", 72);  // the standard's value for "unknown"
    exif.number("Exif.Image.YResolution", 72);
    exif.shorts("Exif.Image.ResolutionUnit", {2});
  }
  if (!exif.has("Exif.Image.ResolutionUnit")) exif.shorts("Exif.Image.ResolutionUnit", {2});
  exif.shorts("Exif.Image.Orientation", {1});
  exif.bytes("Exif.Photo.ExifVersion", "0232");
  if (!exif.has("Exif.Photo.FlashpixVersion")) exif.bytes("Exif.Photo.FlashpixVersion", "0100");
  if (!exif.has("Exif.Photo.ColorSpace")) {
    const std::uint16_t space = srgb ? 1 : 0xFFFF;  // sRGB, or uncalibrated
    exif.shorts("Exif.Photo.ColorSpace", {space});
  }
  if (input.type == FileType::jpeg) {
    exif.shorts("Exif.Image.YCbCrPositioning", {1});
    exif.bytes("Exif.Photo.ComponentsConfiguration", std::string("\1\2\3\0", 4));
  }
  exif.remove("Exif.Photo.PixelXDimension");
  exif.remove("Exif.Photo.PixelYDimension");
  if (input.type != FileType::tiff) {  // TIFF says it in ImageWidth and ImageLength
    exif.count("Exif.Photo.PixelXDimension", scene.camera.width_px);
    exif.count("Exif.Photo.PixelYDimension", scene.camera.height_px);
  }
}

// Focal length in its four forms, all leading to the same number of pixels.
void write_optics(ExifWriter& exif, const Scene& scene, const Setup& setup,
                  const OutputSettings& output, Findings& findings, const std::string& file) {
  const Camera& camera = scene.camera;
  const double pitch_mm = scene.pixel_pitch_um / 1000.0;
  const bool telecentric = camera.projection == Projection::telecentric;
  const double principal_mm = camera.fx * pitch_mm;
  const bool own = output.keep_lens_focal_length || telecentric;
  const double focal_mm = own ? setup.focal_length_mm : principal_mm;
  if (focal_mm > 0) exif.number("Exif.Photo.FocalLength", focal_mm);
  exif.number("Exif.Photo.FocalPlaneXResolution", 10.0 / pitch_mm);
  exif.number("Exif.Photo.FocalPlaneYResolution", 10.0 / pitch_mm * camera.fy / camera.fx);
  exif.shorts("Exif.Photo.FocalPlaneResolutionUnit", {3});
  const double diagonal_mm =
      pitch_mm * std::hypot(camera.width_px, camera.height_px * camera.fx / camera.fy);
  const double film_mm = focal_mm * kFilmDiagonal_mm / diagonal_mm;
  const double rounded = std::round(film_mm);
  exif.remove("Exif.Photo.FocalLengthIn35mmFilm");
  if (telecentric) return;
  if (rounded >= 1 && rounded <= 65535 && std::abs(rounded - film_mm) <= 0.001 * film_mm) {
    exif.shorts("Exif.Photo.FocalLengthIn35mmFilm", {static_cast<std::uint16_t>(rounded)});
  } else {
    findings.push_back({Severity::note, "annotate", file,
                        fmt::format("FocalLengthIn35mmFilm was left out: the standard holds whole "
                                    "mm, and {:.2f} mm would be rounded by more than 0.1 %.",
                                    film_mm),
                        "Nothing to do; FocalLength and FocalPlaneXResolution are exact."});
  }
}

void write_setup(ExifWriter& exif, const Setup& setup) {
  if (!setup.body_text.empty() && !exif.has("Exif.Image.Model")) {
    exif.text("Exif.Image.Model", setup.body_text);
  }
  if (!setup.lens_text.empty()) exif.text("Exif.Photo.LensModel", setup.lens_text);
  if (!setup.lens_serial.empty()) exif.text("Exif.Photo.LensSerialNumber", setup.lens_serial);
  if (setup.f_number > 0 && !exif.has("Exif.Photo.FNumber")) {
    exif.number("Exif.Photo.FNumber", setup.f_number);
  }
  exif.number("Exif.Photo.SubjectDistance", setup.object_distance_mm() / 1000.0);
}

void write_origin(ExifWriter& exif, const AnnotationInput& input, const View& view) {
  exif.text("Exif.Photo.ImageUniqueID", hash_bytes(input.source_hash + "|" + view.name));
  exif.shorts("Exif.Photo.CompositeImage", {2});  // general composite: fused after the capture
  if (input.frames >= 2 && input.frames <= 65535) {
    const auto frames = static_cast<std::uint16_t>(input.frames);
    exif.shorts("Exif.Photo.SourceImageNumberOfCompositeImage", {frames, frames});
  }
  exif.text("Exif.Image.Software", "trunnion " TRUNNION_VERSION);
  if (const auto date = source_date()) {
    exif.text("Exif.Image.DateTime", exif_date(*date));
  }
}

void write_thumbnail(Carried& carried, const AnnotationInput& input, const std::string& file) {
  if (!carried.had_thumbnail) return;
  if (input.type != FileType::jpeg || input.thumbnail_jpeg.empty() ||
      input.thumbnail_jpeg.size() > 16'384) {
    carried.findings.push_back({Severity::note, "annotate", file,
                                "The embedded thumbnail was left out: it showed the old pixels.",
                                "Nothing to do."});
    return;
  }
  Exiv2::ExifThumb thumb(carried.metadata.exif);
  thumb.setJpegThumbnail(reinterpret_cast<const Exiv2::byte*>(input.thumbnail_jpeg.data()),
                         static_cast<long>(input.thumbnail_jpeg.size()), {72, 1}, {72, 1}, 2);
  carried.findings.push_back({Severity::note, "annotate", file,
                              "The embedded thumbnail was made again from the new pixels.",
                              "Nothing to do."});
}

// Tags of the source that now hold another value.
void report_renewed(const Metadata& source, Carried& carried, const std::string& file) {
  std::set<std::string> renewed;
  for (const Exiv2::Exifdatum& before : source.exif) {
    if (before.groupName() == "Thumbnail" || describes_storage(before.groupName(), before.tag())) {
      continue;
    }
    const auto after = carried.metadata.exif.findKey(ExifKey(before.key()));
    if (after != carried.metadata.exif.end() && bytes_of(*after, true) != bytes_of(before, true)) {
      renewed.insert(before.tagName());
    }
  }
  if (renewed.empty()) return;
  carried.findings.push_back(
      {Severity::note, "annotate", file,
       fmt::format("{} were renewed: they describe the new image or the setup.",
                   fmt::join(renewed, ", ")),
       "Nothing to do."});
}

}  // namespace

double effective_f_number(const Setup& setup) {
  if (setup.kind == LensKind::objective) {
    return setup.numerical_aperture > 0
               ? setup.lateral_magnification() / (2.0 * setup.numerical_aperture)
               : 0.0;
  }
  const double m0 = setup.lateral_magnification() / setup.converter;
  return setup.f_number * setup.converter * (1.0 + m0 / setup.pupil_magnification);
}

Annotation make_annotation(const Scene& scene, std::size_t index, const Setup& setup,
                           const Metadata& source, const OutputSettings& output,
                           const AnnotationInput& input) {
  initialise_metadata();
  const View& view = scene.views.at(index);
  Annotation annotation;
  annotation.type = input.type;
  Carried carried = carry_metadata(source, {input.frame, input.frame_file}, input.type,
                                   input.channels, view.image_file);
  ExifWriter exif(carried.metadata.exif);
  write_mandatory(exif, scene, input, carried.srgb);
  write_optics(exif, scene, setup, output, carried.findings, view.image_file);
  write_setup(exif, setup);
  write_origin(exif, input, view);
  write_thumbnail(carried, input, view.image_file);
  report_renewed(source, carried, view.image_file);

  write_xmp(carried.metadata.xmp, scene, view, setup, {input.source_hash, carried.unique_id});
  write_record(carried, scene.record, view.image_file);
  write_history(carried.metadata.xmp, input.history, carried.software);

  annotation.metadata = std::move(carried.metadata);
  annotation.findings = std::move(carried.findings);
  Exiv2::XmpData beside = annotation.metadata.xmp;
  bool needed = output.sidecar;
  if (!carried.maker_note.empty()) {
    beside["Xmp.trunnion.MakerNote_base64"] = base64(carried.maker_note);
    needed = true;
  }
  if (input.type == FileType::jpeg) {
    const std::vector<std::string> moved = fit_xmp_into_jpeg(annotation.metadata.xmp);
    if (!moved.empty()) {
      needed = true;
      annotation.findings.push_back(
          {Severity::note, "annotate", view.image_file,
           fmt::format(
               "{} was written to the sidecar: a JPEG's XMP block of {} bytes has no room for it.",
               fmt::join(moved, ", "), kJpegXmpLimit),
           "Nothing to do; a TIFF (output.type) can store it."});
    }
  }
  if (needed) annotation.sidecar = xmp_packet(beside, true);
  return annotation;
}

Findings annotate(const fs::path& temporary_image_file, const Annotation& annotation) {
  const std::vector<std::string> lost =
      write_metadata(temporary_image_file, annotation.type, annotation.metadata);
  Findings findings;
  for (const std::string& key : lost) {
    findings.push_back(
        {Severity::doubt, "annotate", "",
         fmt::format("{} could not be kept in the {} file.", key, name_of(annotation.type)),
         "Write TIFF (output.type), or turn the sidecar on."});
  }
  return findings;
}

std::optional<fs::path> write_sidecar(const fs::path& final_image_file,
                                      const Annotation& annotation) {
  if (!annotation.sidecar) return std::nullopt;
  fs::path file = final_image_file;
  file.replace_extension(".xmp");
  write_file(file, *annotation.sidecar);
  return file;
}

}  // namespace trunnion::annotate
