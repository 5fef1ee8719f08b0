#include "stages/annotate_policy.h"

#include <fmt/format.h>

#include <set>

namespace trunnion {
namespace {

using Key = Exiv2::ExifKey;

// TIFF 6.0 and its supplements: where and how the samples are stored.
const std::set<std::uint16_t>& storage_tags() {
  static const std::set<std::uint16_t> tags{
      0x00FE, 0x00FF, 0x0100, 0x0101, 0x0102, 0x0103, 0x0106, 0x0107, 0x0108, 0x0109,
      0x010A, 0x0111, 0x0115, 0x0116, 0x0117, 0x0118, 0x0119, 0x011C, 0x0120, 0x0121,
      0x0122, 0x0123, 0x0124, 0x0125, 0x0129, 0x013D, 0x0140, 0x0142, 0x0143, 0x0144,
      0x0145, 0x014A, 0x0152, 0x0153, 0x0154, 0x0155, 0x015B, 0x0200, 0x0201, 0x0202,
      0x0203, 0x0205, 0x0206, 0x0207, 0x0208, 0x0209, 0x0211, 0x0212, 0x0213, 0x0214};
  return tags;
}

// Written elsewhere or made anew.
bool is_block_or_pointer(const std::string& group, std::uint16_t tag) {
  if (group == "Image") {
    return tag == 0x8769 || tag == 0x8825 || tag == 700 || tag == 33723 || tag == 34675;
  }
  return group == "Photo" && tag == 0xA005;
}

Finding changed(const std::string& file, const std::string& what) {
  return {Severity::note, "annotate", file, what, "Nothing to do."};
}

Finding refused(const std::string& file, const std::string& what, const std::string& remedy) {
  return {Severity::doubt, "annotate", file, what, remedy};
}

std::string text_of(const Exiv2::ExifData& exif, const char* key) {
  const auto at = exif.findKey(Key(key));
  return at == exif.end() ? std::string() : at->toString();
}

void carry_exif(const Metadata& source, FileType type, const std::string& file, Carried& carried) {
  bool storage = false;
  bool resources = false;
  for (const Exiv2::Exifdatum& datum : source.exif) {
    const std::string group = datum.groupName();
    const std::uint16_t tag = datum.tag();
    if (group == "Thumbnail") {
      carried.had_thumbnail = true;
    } else if (describes_storage(group, tag)) {
      storage = true;
    } else if (group == "Image" && tag == 0x8649) {
      resources = true;
    } else if (!is_block_or_pointer(group, tag)) {
      carried.metadata.exif.add(datum);
    }
  }
  if (storage) {
    carried.findings.push_back(changed(file,
                                       "Tags that describe how the source file stores its pixels "
                                       "were replaced by those of the new file."));
  }
  if (resources) {
    carried.findings.push_back(
        changed(file,
                "The image resource block (tag 0x8649) was left out: it holds a preview of the "
                "old pixels; its IPTC record is carried as IPTC."));
  }
  // A JPEG holds all of Exif in one segment; leave room for the tags trunnion adds.
  const auto note = carried.metadata.exif.findKey(Key("Exif.Photo.MakerNote"));
  if (note != carried.metadata.exif.end() && type == FileType::jpeg &&
      static_cast<std::size_t>(note->size()) > kJpegExifLimit - 16'384) {
    carried.maker_note = bytes_of(*note, true);
    carried.findings.push_back(
        changed(file, fmt::format("The maker note of {} bytes went to the sidecar: a JPEG's Exif "
                                  "block of {} bytes has no room for it.",
                                  carried.maker_note.size(), kJpegExifLimit)));
    carried.metadata.exif.erase(note);
  }
}

// What the fused image lacks and the single frame has: date, exposure, lens, place.
void fill_from_frame(const Metadata& frame, Carried& carried) {
  for (const Exiv2::Exifdatum& datum : frame.exif) {
    const std::string group = datum.groupName();
    const std::uint16_t tag = datum.tag();
    const bool of_the_file = group == "Thumbnail" || group == "Iop" ||
                             describes_storage(group, tag) || is_block_or_pointer(group, tag) ||
                             (group == "Photo" && (tag == 0xA001 || tag == 0xA420)) ||
                             (group == "Image" && (tag == 0x8649 || tag == 0x0131));
    if (of_the_file) continue;
    const Key key(tag, group);
    if (carried.metadata.exif.findKey(key) == carried.metadata.exif.end()) {
      carried.metadata.exif.add(datum);
    }
  }
}

// XMP mirrors some Exif and TIFF tags; those of the old pixels would contradict the new ones.
void carry_xmp(const Metadata& source, const std::string& file, Carried& carried) {
  static const std::set<std::string> stale{"Xmp.tiff.ImageWidth",
                                           "Xmp.tiff.ImageLength",
                                           "Xmp.tiff.BitsPerSample",
                                           "Xmp.tiff.Compression",
                                           "Xmp.tiff.PhotometricInterpretation",
                                           "Xmp.tiff.Orientation",
                                           "Xmp.tiff.SamplesPerPixel",
                                           "Xmp.tiff.PlanarConfiguration",
                                           "Xmp.tiff.YCbCrSubSampling",
                                           "Xmp.tiff.YCbCrPositioning",
                                           "Xmp.exif.PixelXDimension",
                                           "Xmp.exif.PixelYDimension",
                                           "Xmp.exif.CompressedBitsPerPixel",
                                           "Xmp.exif.FocalLength",
                                           "Xmp.exif.FocalLengthIn35mmFilm",
                                           "Xmp.exif.FocalPlaneXResolution",
                                           "Xmp.exif.FocalPlaneYResolution",
                                           "Xmp.exif.FocalPlaneResolutionUnit",
                                           "Xmp.exif.ImageUniqueID",
                                           "Xmp.exif.SubjectDistance",
                                           "Xmp.exifEX.CompositeImage",
                                           "Xmp.exifEX.SourceImageNumberOfCompositeImage",
                                           "Xmp.tiff.Software"};
  bool left_out = false;
  for (const Exiv2::Xmpdatum& datum : source.xmp) {
    const std::string key = datum.key();
    if (stale.contains(key) || key.starts_with("Xmp.xmp.Thumbnails") ||
        key.starts_with("Xmp.trunnion.")) {
      left_out = true;
    } else {
      carried.metadata.xmp.add(datum);
    }
  }
  if (left_out) {
    carried.findings.push_back(
        changed(file,
                "XMP copies of tags that were renewed, and previews in XMP, were left out: they "
                "described the old pixels."));
  }
}

// ICC.1, table of colour space signatures: the profile header names its space at byte 16.
void carry_profile(const Metadata& source, int channels, const std::string& file,
                   Carried& carried) {
  if (source.icc.empty()) return;
  const std::string space = source.icc.size() >= 20 ? source.icc.substr(16, 4) : "";
  if ((channels == 1 && space != "GRAY") || (channels >= 3 && space != "RGB ")) {
    carried.findings.push_back(refused(
        file,
        fmt::format("The colour profile is for \"{}\" samples, but the image has {} channel(s); "
                    "it was not carried over.",
                    space, channels),
        "Embed a profile that fits the image and prepare it again."));
    return;
  }
  carried.metadata.icc = source.icc;
}

}  // namespace

bool describes_storage(const std::string& group, std::uint16_t tag) {
  if (group == "Image") return storage_tags().contains(tag);
  // ComponentsConfiguration, CompressedBitsPerPixel, PixelX/YDimension, RelatedSoundFile stays.
  return group == "Photo" && (tag == 0x9101 || tag == 0x9102 || tag == 0xA002 || tag == 0xA003);
}

Carried carry_metadata(const Metadata& source, const Metadata* frame, FileType type, int channels,
                       const std::string& file) {
  Carried carried;
  carried.metadata.little_endian = source.little_endian;
  carried.software = text_of(source.exif, "Exif.Image.Software");
  carried.unique_id = text_of(source.exif, "Exif.Photo.ImageUniqueID");
  for (const std::string& block : source.unreadable) {
    carried.findings.push_back(
        refused(file, fmt::format("{} of the source is damaged and was not carried over.", block),
                "Export the image again if its metadata matter."));
  }
  carry_exif(source, type, file, carried);
  if (frame != nullptr) fill_from_frame(*frame, carried);
  carry_xmp(source, file, carried);
  carried.metadata.iptc = source.iptc;
  carry_profile(source, channels, file, carried);
  if (source.previews) {
    carried.findings.push_back(
        changed(file, "Previews inside the source file were left out: they show the old pixels."));
  }
  return carried;
}

}  // namespace trunnion
