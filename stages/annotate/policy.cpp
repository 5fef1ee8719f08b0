#include "stages/annotate/policy.h"

#include "stages/annotate/annotate.h"

#include <fmt/format.h>

#include <algorithm>
#include <iterator>
#include <set>

namespace trunnion::annotate {
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

// Written elsewhere or made again.
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

void carry_exif(const Metadata& source, const std::string& file, Carried& carried) {
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
                                       "Tags that describe the source's pixels and how it stores "
                                       "them were replaced by those of the new file."));
  }
  if (resources) {
    carried.findings.push_back(
        changed(file,
                "The image resource block (tag 0x8649) was left out: it holds a preview of the "
                "old pixels; its IPTC record is carried as IPTC."));
  }
}

// A JPEG holds all of Exif in one segment; leave room for the tags trunnion adds.
void move_large_maker_note(FileType type, const std::string& file, Carried& carried) {
  const auto note = carried.metadata.exif.findKey(Key("Exif.Photo.MakerNote"));
  if (note == carried.metadata.exif.end() || type != FileType::jpeg ||
      static_cast<std::size_t>(note->size()) <= kJpegExifLimit - 16'384) {
    return;
  }
  carried.maker_note = bytes_of(*note, true);
  carried.findings.push_back(changed(
      file, fmt::format("The maker note of {} bytes was written to the sidecar: a JPEG's Exif "
                        "block of {} bytes has no room for it.",
                        carried.maker_note.size(), kJpegExifLimit)));
  carried.metadata.exif.erase(note);
}

// Tags that speak of one thing: a frame's are taken together or not at all, lest the time of one
// image get the fraction of a second of another. 0 where a tag stands for itself.
int thing_of(const std::string& group, std::uint16_t tag) {
  if (group == "GPSInfo") return 1;
  if (group == "Image") return tag == 0x010F || tag == 0x0110 ? 2 : 0;  // make and model
  switch (tag) {
    case 0x9003:  // DateTimeOriginal with offset and fraction
    case 0x9011:
    case 0x9291:
      return 3;
    case 0x9004:  // DateTimeDigitized likewise
    case 0x9012:
    case 0x9292:
      return 4;
    case 0xA432:  // lens
    case 0xA433:
    case 0xA434:
    case 0xA435:
      return 5;
    default:
      return 0;
  }
}

// Of a frame's first directory only what says who, what and with which camera: a raw file keeps its
// development there. Of its Exif directory all but the file's own identity, colours and dates of
// change.
bool frame_may_give(const std::string& group, std::uint16_t tag) {
  static const std::set<std::uint16_t> image{0x010E, 0x010F, 0x0110, 0x013B, 0x8298};
  static const std::set<std::uint16_t> not_photo{0xA001, 0xA420, 0x9290, 0x9010, 0xA500, 0xA004};
  if (group == "Image") return image.contains(tag);
  if (group == "GPSInfo") return true;
  return group == "Photo" && !not_photo.contains(tag) && !describes_storage(group, tag) &&
         !is_block_or_pointer(group, tag);
}

int fill_exif(const Metadata& frame, Carried& carried) {
  std::set<int> carried_things;
  for (const Exiv2::Exifdatum& datum : carried.metadata.exif) {
    carried_things.insert(thing_of(datum.groupName(), datum.tag()));
  }
  int filled = 0;
  for (const Exiv2::Exifdatum& datum : frame.exif) {
    const std::string group = datum.groupName();
    if (!frame_may_give(group, datum.tag())) continue;
    const int thing = thing_of(group, datum.tag());
    const Key key(datum.tag(), group);
    const bool there = thing > 0
                           ? carried_things.contains(thing)
                           : carried.metadata.exif.findKey(key) != carried.metadata.exif.end();
    if (there) continue;
    carried.metadata.exif.add(datum);
    ++filled;
  }
  return filled;
}

int fill_xmp(const Metadata& frame, Carried& carried) {
  // Copies of Exif tags, the file's own history and dates, settings of its development.
  static const std::set<std::string> not_given{"tiff",  "exif", "exifEX",        "xmp",
                                               "xmpMM", "crs",  kNamespacePrefix};
  std::set<std::string> carried_properties;
  for (const Exiv2::Xmpdatum& datum : carried.metadata.xmp)
    carried_properties.insert(property_of(datum.key()));
  int filled = 0;
  for (const Exiv2::Xmpdatum& datum : frame.xmp) {
    if (not_given.contains(datum.groupName()) ||
        carried_properties.contains(property_of(datum.key())))
      continue;
    carried.metadata.xmp.add(datum);
    ++filled;
  }
  return filled;
}

void fill_from_frame(const SourceFrame& frame, const std::string& file, Carried& carried) {
  if (frame.metadata == nullptr) return;
  int filled = fill_exif(*frame.metadata, carried) + fill_xmp(*frame.metadata, carried);
  if (carried.metadata.iptc.empty()) {
    carried.metadata.iptc = frame.metadata->iptc;
    filled += static_cast<int>(carried.metadata.iptc.count());
  }
  if (filled == 0) return;
  carried.findings.push_back(changed(
      file,
      fmt::format("{} tags that are missing in the fused image were copied from the frame {}.",
                  filled, frame.file)));
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
                                           "Xmp.exif.SubjectArea",
                                           "Xmp.exif.SubjectLocation",
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

bool says_colour(const PngChunk& chunk) {
  return chunk.type == "gAMA" || chunk.type == "cHRM" || chunk.type == "cICP";
}

bool is_srgb(const PngChunk& chunk) {
  return chunk.type == "sRGB";
}

// "gAMA, tEXt Title": chunks by type and, of texts, keyword.
std::string names_of(const std::vector<PngChunk>& chunks) {
  std::set<std::string> names;
  for (const PngChunk& chunk : chunks) {
    const std::string keyword = png_keyword(chunk);
    names.insert(keyword.empty() ? chunk.type : fmt::format("{} \"{}\"", chunk.type, keyword));
  }
  return fmt::format("{}", fmt::join(names, ", "));
}

// What only PNG has a place for. A profile or sRGB says more of colour than gAMA and cHRM, which
// stand beside it for readers that know neither.
void carry_png(const Metadata& source, FileType type, const std::string& file, Carried& carried) {
  std::vector<PngChunk> kept;
  for (const PngChunk& chunk : source.png) {
    if (chunk.type == "tEXt" && png_keyword(chunk) == "Software") {
      if (carried.software.empty()) carried.software = chunk.data.substr(chunk.data.find('\0') + 1);
      carried.findings.push_back(
          changed(file, "The PNG text \"Software\" was left out: the history names it."));
    } else if (is_srgb(chunk) && !carried.metadata.icc.empty()) {
      carried.findings.push_back(changed(
          file, "The PNG chunk sRGB was left out: the colour profile stands in its place."));
    } else {
      kept.push_back(chunk);
    }
  }
  if (!source.png_others.empty()) {
    carried.findings.push_back(
        changed(file, fmt::format("PNG chunks were left out: {}.",
                                  fmt::join(std::set<std::string>(source.png_others.begin(),
                                                                  source.png_others.end()),
                                            ", "))));
  }
  if (type == FileType::png) {
    carried.metadata.png = kept;
    return;
  }
  const bool known =
      !carried.metadata.icc.empty() || std::any_of(kept.begin(), kept.end(), is_srgb);
  std::erase_if(kept, is_srgb);  // Exif ColorSpace says it
  std::vector<PngChunk> colour;
  std::copy_if(kept.begin(), kept.end(), std::back_inserter(colour), says_colour);
  if (!colour.empty() && !known) {
    std::erase_if(kept, says_colour);
    carried.findings.push_back(refused(
        file,
        fmt::format("{} of the PNG, which say what its colours mean, have no place in a {}; "
                    "they were not carried over.",
                    names_of(colour), name_of(type)),
        "Write PNG (output.type), or embed a colour profile and prepare the image again."));
  }
  if (kept.empty()) return;
  carried.findings.push_back(
      changed(file, fmt::format("{} of the PNG were left out: a {} has no place for them.",
                                names_of(kept), name_of(type))));
}

void carry_comment(const Metadata& source, FileType type, const std::string& file,
                   Carried& carried) {
  if (source.comment.empty()) return;
  if (type == FileType::jpeg) {
    carried.metadata.comment = source.comment;
    return;
  }
  carried.findings.push_back(
      changed(file, fmt::format("The comment of the JPEG was left out: a {} has no place for it.",
                                name_of(type))));
}

}  // namespace

std::string property_of(const std::string& key) {
  return key.substr(0, key.find_first_of("[/"));
}

bool describes_storage(const std::string& group, std::uint16_t tag) {
  if (group == "Image") return storage_tags().contains(tag);
  // ComponentsConfiguration, CompressedBitsPerPixel, PixelX/YDimension; SubjectArea and
  // SubjectLocation are places in the old pixels.
  return group == "Photo" && (tag == 0x9101 || tag == 0x9102 || tag == 0xA002 || tag == 0xA003 ||
                              tag == 0x9214 || tag == 0xA214);
}

Carried carry_metadata(const Metadata& source, const SourceFrame& frame, FileType type,
                       int channels, const std::string& file) {
  Carried carried;
  carried.metadata.little_endian = source.little_endian;
  carried.software = text_of(source.exif, "Exif.Image.Software");
  carried.unique_id = text_of(source.exif, "Exif.Photo.ImageUniqueID");
  for (const std::string& block : source.unreadable) {
    carried.findings.push_back(
        refused(file, fmt::format("{} of the source is damaged and was not carried over.", block),
                "Export the image again if its metadata matter."));
  }
  carry_exif(source, file, carried);
  carry_xmp(source, file, carried);
  carried.metadata.iptc = source.iptc;
  fill_from_frame(frame, file, carried);
  move_large_maker_note(type, file, carried);
  carry_profile(source, channels, file, carried);
  carry_png(source, type, file, carried);
  carry_comment(source, type, file, carried);
  carried.srgb = std::any_of(source.png.begin(), source.png.end(), is_srgb);
  if (source.previews) {
    carried.findings.push_back(
        changed(file, "Previews inside the source file were left out: they show the old pixels."));
  }
  return carried;
}

}  // namespace trunnion::annotate
