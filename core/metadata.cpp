#include "core/metadata.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <exiv2/exiv2.hpp>
#include <memory>
#include <mutex>
#include <set>

#include "core/big_tiff.h"
#include "core/error.h"
#include "core/extended_xmp.h"
#include "core/png_chunks.h"
#include "core/tiff_directory.h"
#include "core/xmp_toolkit.h"

namespace trunnion {
namespace {

namespace fs = std::filesystem;

constexpr std::uint16_t kTagXmp = 700;      // XMP specification part 3, TIFF
constexpr std::uint16_t kTagIptc = 33723;   // TIFF/EP, IPTC-NAA record
constexpr std::uint16_t kTagIcc = 34675;    // ICC.1, annex B.4
constexpr std::uint16_t kTagExif = 0x8769;  // pointers are written by tiff_directory
constexpr std::uint16_t kTagGps = 0x8825;
constexpr std::uint16_t kTagInterop = 0xA005;
constexpr std::uint16_t kTagThumbnailOffset = 0x0201;

std::mutex& toolkit_mutex() {
  static std::mutex mutex;
  return mutex;
}

void lock_toolkit(void* mutex, bool lock) {
  auto* held = static_cast<std::mutex*>(mutex);
  if (lock) {
    held->lock();
  } else {
    held->unlock();
  }
}

Exiv2::ByteOrder order_of(bool little_endian) {
  return little_endian ? Exiv2::littleEndian : Exiv2::bigEndian;
}

bool standard_group(const std::string& group) {
  static const std::set<std::string> groups{"Image", "Photo", "GPSInfo", "Iop", "Thumbnail"};
  return groups.contains(group);
}

// A file, or the classic form of one that the library does not take.
std::unique_ptr<Exiv2::Image> open_image(const fs::path& file, const std::string& classic = {}) {
  initialise_metadata();
  return std::unique_ptr<Exiv2::Image>(
      (classic.empty()
           ? Exiv2::ImageFactory::open(file.string())
           : Exiv2::ImageFactory::open(reinterpret_cast<const Exiv2::byte*>(classic.data()),
                                       static_cast<long>(classic.size())))
          .release());
}

std::string string_of(const Exiv2::DataBuf& buffer) {
  if (buffer.pData_ == nullptr || buffer.size_ <= 0) return {};
  return {reinterpret_cast<const char*>(buffer.pData_), static_cast<std::size_t>(buffer.size_)};
}

void keep_standard(const Exiv2::ExifData& all, Metadata& metadata) {
  for (const Exiv2::Exifdatum& datum : all) {
    if (standard_group(datum.groupName())) {
      metadata.exif.add(datum);
    } else if (datum.groupName().starts_with("SubImage")) {
      metadata.previews = true;
    }
  }
}

// TIFF's values as the appender takes them; pointers and blocks of other standards are left out.
TiffEntry entry_of(const Exiv2::Exifdatum& datum, bool little_endian) {
  TiffEntry entry;
  entry.tag = datum.tag();
  entry.bytes = bytes_of(datum, little_endian);
  const auto type = datum.typeId();
  const bool plain = type >= Exiv2::unsignedByte && type <= Exiv2::tiffIfd;
  entry.type = plain ? static_cast<std::uint16_t>(type) : std::uint16_t{7};  // comments: UNDEFINED
  entry.count = static_cast<std::uint32_t>(plain && type != Exiv2::asciiString
                                               ? static_cast<std::size_t>(datum.count())
                                               : entry.bytes.size());
  return entry;
}

bool is_pointer_or_block(std::uint16_t tag) {
  return tag == kTagExif || tag == kTagGps || tag == kTagInterop || tag == kTagXmp ||
         tag == kTagIptc || tag == kTagIcc;
}

void write_tiff_metadata(const fs::path& file, const Metadata& metadata) {
  const bool little = tiff_is_little_endian(file);
  TiffDirectories directories;
  for (const Exiv2::Exifdatum& datum : metadata.exif) {
    if (is_pointer_or_block(datum.tag())) continue;
    const std::string group = datum.groupName();
    if (group == "Image") directories.image.push_back(entry_of(datum, little));
    if (group == "Photo") directories.exif.push_back(entry_of(datum, little));
    if (group == "GPSInfo") directories.gps.push_back(entry_of(datum, little));
    if (group == "Iop") directories.interop.push_back(entry_of(datum, little));
  }
  const auto add_block = [&](std::uint16_t tag, std::uint16_t type, std::uint32_t unit,
                             std::string bytes) {
    if (bytes.empty()) return;
    bytes.resize((bytes.size() + unit - 1) / unit * unit, '\0');
    const auto count = static_cast<std::uint32_t>(bytes.size() / unit);
    directories.image.push_back({tag, type, count, std::move(bytes)});
  };
  if (!metadata.xmp.empty()) add_block(kTagXmp, 1, 1, xmp_packet(metadata.xmp, false));
  // IPTC is written as LONG by custom; its bytes are in no byte order and stay as they are.
  if (!metadata.iptc.empty()) {
    add_block(kTagIptc, 4, 4, string_of(Exiv2::IptcParser::encode(metadata.iptc)));
  }
  add_block(kTagIcc, 7, 1, metadata.icc);
  append_tiff_directories(file, directories);
}

// IPTC records in PNG stand in an image resource block: signature, id 0x0404, an empty name, length
// (big-endian), data padded to an even length.
std::string iptc_resource(const Exiv2::IptcData& iptc) {
  std::string records = string_of(Exiv2::IptcParser::encode(iptc));
  std::string block("8BIM\x04\x04\0\0", 8);
  for (const int shift : {24, 16, 8, 0}) {
    block.push_back(static_cast<char>((records.size() >> static_cast<unsigned>(shift)) & 0xFFU));
  }
  if (records.size() % 2 != 0) records.push_back('\0');
  return block + records;
}

void write_png_metadata(const fs::path& file, const Metadata& metadata) {
  std::vector<PngChunk> chunks;
  if (!metadata.icc.empty()) chunks.push_back(png_profile(metadata.icc));
  if (!metadata.exif.empty()) {
    Exiv2::Blob blob;
    Exiv2::ExifParser::encode(blob, order_of(metadata.little_endian), metadata.exif);
    chunks.push_back({"eXIf", std::string(blob.begin(), blob.end())});
  }
  if (!metadata.iptc.empty()) {
    chunks.push_back(png_raw_profile("iptc", iptc_resource(metadata.iptc)));
  }
  if (!metadata.xmp.empty()) chunks.push_back(png_xmp(xmp_packet(metadata.xmp, false)));
  chunks.insert(chunks.end(), metadata.png.begin(), metadata.png.end());
  replace_png_metadata(file, chunks);
}

void write_jpeg_metadata(const fs::path& file, const Metadata& metadata) {
  const auto lock = packets_one_at_a_time();
  try {
    const auto image = open_image(file);
    image->readMetadata();
    if (metadata.comment.empty()) {
      image->clearComment();
    } else {
      image->setComment(metadata.comment);
    }
    image->setByteOrder(order_of(metadata.little_endian));
    image->setExifData(metadata.exif);
    image->setIptcData(metadata.iptc);
    image->setXmpData(metadata.xmp);
    image->writeXmpFromPacket(false);
    if (metadata.icc.empty()) {
      image->clearIccProfile();
    } else {
      Exiv2::DataBuf profile(reinterpret_cast<const Exiv2::byte*>(metadata.icc.data()),
                             static_cast<long>(metadata.icc.size()));
      image->setIccProfile(profile, false);
    }
    image->writeMetadata();
  } catch (const Exiv2::Error& error) {
    throw output_error(
        fmt::format("{}: writing the metadata failed ({}); check the space on the "
                    "disk and run again.",
                    file.string(), error.what()));
  }
}

bool same_value(const Exiv2::Exifdatum& a, const Exiv2::Exifdatum& b) {
  return a.typeId() == b.typeId() && bytes_of(a, true) == bytes_of(b, true);
}

std::string thumbnail_of(const Exiv2::ExifData& exif) {
  return string_of(Exiv2::ExifThumbC(exif).copy());
}

std::vector<std::string> differences(const Metadata& wanted, const Metadata& found) {
  std::vector<std::string> lost;
  if (thumbnail_of(wanted.exif) != thumbnail_of(found.exif)) lost.emplace_back("Exif thumbnail");
  for (const Exiv2::Exifdatum& datum : wanted.exif) {
    // The thumbnail's offset is known only once it is written; its bytes were compared above.
    if (datum.groupName() == "Thumbnail" && datum.tag() == kTagThumbnailOffset) continue;
    if (is_pointer_or_block(datum.tag()) && datum.groupName() != "GPSInfo") continue;
    const auto at = found.exif.findKey(Exiv2::ExifKey(datum.tag(), datum.groupName()));
    if (at == found.exif.end() || !same_value(datum, *at)) lost.push_back(datum.key());
  }
  if (wanted.icc != found.icc) lost.emplace_back("ICC");
  if (wanted.comment != found.comment) lost.emplace_back("the JPEG comment");
  for (const PngChunk& chunk : wanted.png) {
    if (std::find(found.png.begin(), found.png.end(), chunk) == found.png.end()) {
      lost.push_back(fmt::format("PNG {} {}", chunk.type, png_keyword(chunk)));
    }
  }
  if (string_of(Exiv2::IptcParser::encode(wanted.iptc)) !=
      string_of(Exiv2::IptcParser::encode(found.iptc))) {
    lost.emplace_back("IPTC");
  }
  const auto text = [](const Exiv2::XmpData& xmp) {
    std::set<std::string> lines;
    for (const Exiv2::Xmpdatum& datum : xmp) lines.insert(datum.key() + "=" + datum.toString());
    return lines;
  };
  // The parser names the structs that hold their fields, so it finds more than was asked for.
  const std::set<std::string> wanted_xmp = text(wanted.xmp);
  const std::set<std::string> found_xmp = text(found.xmp);
  if (!std::includes(found_xmp.begin(), found_xmp.end(), wanted_xmp.begin(), wanted_xmp.end())) {
    lost.emplace_back("XMP");
  }
  std::sort(lost.begin(), lost.end());
  return lost;
}

// False where some block is damaged; the others are there.
bool read_blocks(Exiv2::Image& image) {
  try {
    image.readMetadata();
    return true;
  } catch (const Exiv2::Error&) {
    return false;
  }
}

// Puts what stands in further segments to the main packet, and takes out the property that names
// it: of what is written nobody could follow it.
void join_extended_xmp(const fs::path& file, bool jpeg, Metadata& metadata) {
  const auto named = std::find_if(
      metadata.xmp.begin(), metadata.xmp.end(),
      [](const Exiv2::Xmpdatum& datum) { return datum.tagName() == "HasExtendedXMP"; });
  if (named == metadata.xmp.end()) return;
  const std::string guid = named->toString();
  metadata.xmp.erase(named);
  const auto packet = jpeg ? extended_xmp(file, guid) : std::nullopt;
  Exiv2::XmpData rest;
  if (!packet || Exiv2::XmpParser::decode(rest, *packet) != 0) {
    metadata.unreadable.emplace_back("Extended XMP");
    return;
  }
  for (const Exiv2::Xmpdatum& datum : rest) {
    const bool there = metadata.xmp.findKey(Exiv2::XmpKey(datum.key())) != metadata.xmp.end();
    if (!there && datum.tagName() != "HasExtendedXMP") metadata.xmp.add(datum);
  }
}

void take_blocks(const fs::path& file, Exiv2::Image& image, Metadata& metadata) {
  metadata.little_endian = image.byteOrder() != Exiv2::bigEndian;
  keep_standard(image.exifData(), metadata);
  metadata.iptc = image.iptcData();
  metadata.xmp = image.xmpData();
  if (metadata.xmp.empty() && !image.xmpPacket().empty()) metadata.unreadable.emplace_back("XMP");
  const bool jpeg = image.imageType() == Exiv2::ImageType::jpeg;
  join_extended_xmp(file, jpeg, metadata);
  if (jpeg) metadata.comment = image.comment();
  if (image.imageType() == Exiv2::ImageType::png) {
    PngChunks chunks = read_png_chunks(file);
    metadata.png = std::move(chunks.kept);
    metadata.png_others = std::move(chunks.others);
    for (const std::string& type : chunks.damaged) {
      metadata.unreadable.push_back("PNG chunk " + type);
    }
  }
  if (image.iccProfile() != nullptr && image.iccProfile()->size_ > 0) {
    metadata.icc = string_of(*image.iccProfile());
  }
}

}  // namespace

std::unique_lock<std::mutex> packets_one_at_a_time() {
  static std::mutex mutex;
  return std::unique_lock(mutex);
}

void initialise_metadata() {
  static std::once_flag once;
  std::call_once(once, [] {
    // Warnings of the library can't be tied to a file; what matters comes back as findings.
    Exiv2::LogMsg::setLevel(Exiv2::LogMsg::mute);
    Exiv2::XmpParser::initialize(&lock_toolkit, &toolkit_mutex());
    Exiv2::XmpProperties::registerNs(kNamespaceUri, kNamespacePrefix);
  });
}

std::string bytes_of(const Exiv2::Exifdatum& datum, bool little_endian) {
  std::string bytes(static_cast<std::size_t>(datum.size()), '\0');
  const long written =
      datum.copy(reinterpret_cast<Exiv2::byte*>(bytes.data()), order_of(little_endian));
  bytes.resize(static_cast<std::size_t>(written));
  return bytes;
}

std::string xmp_packet(const Exiv2::XmpData& xmp, bool sidecar) {
  initialise_metadata();
  std::string packet;
  // The packet wrapper is for readers that scan a file for it; a sidecar needs none.
  std::uint16_t flags = Exiv2::XmpParser::useCompactFormat;
  if (sidecar) flags |= Exiv2::XmpParser::omitPacketWrapper;
  const auto lock = packets_one_at_a_time();
  if (Exiv2::XmpParser::encode(packet, xmp, flags, 1) != 0) {
    throw data_error("XMP properties cannot be written; remove the XMP block of the source image.");
  }
  return sidecar ? "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n" + packet + "\n" : packet;
}

Metadata read_metadata(const fs::path& file) {
  std::error_code code;
  if (!fs::is_regular_file(file, code)) {
    throw data_error(fmt::format("{}: no such file; check the path.", file.string()));
  }
  Metadata metadata;
  BigTiffMetadata big;
  if (is_big_tiff(file)) {
    big = big_tiff_metadata(file);
    metadata.previews = big.previews;
    if (!big.complete) metadata.unreadable.emplace_back("Exif, XMP, IPTC or ICC");
  }
  const auto lock = packets_one_at_a_time();
  try {
    const auto image = open_image(file, big.classic);
    if (!read_blocks(*image)) metadata.unreadable.emplace_back("Exif, XMP, IPTC or ICC");
    take_blocks(file, *image, metadata);
  } catch (const Exiv2::Error&) {
    metadata.unreadable.emplace_back("Exif, XMP, IPTC or ICC");  // no image to the library
  }
  return metadata;
}

int exif_orientation(const fs::path& file) {
  const auto lock = packets_one_at_a_time();
  try {
    const auto image = open_image(file);
    image->readMetadata();
    const auto found = image->exifData().findKey(Exiv2::ExifKey("Exif.Image.Orientation"));
    if (found == image->exifData().end() || found->count() == 0) return 1;
    const auto value = static_cast<int>(found->toLong());
    return value >= 1 && value <= 8 ? value : 1;
  } catch (const Exiv2::Error&) {
    return 1;
  }
}

std::vector<std::string> write_metadata(const fs::path& temporary_file, FileType type,
                                        const Metadata& metadata) {
  initialise_metadata();
  if (type == FileType::tiff) {
    write_tiff_metadata(temporary_file, metadata);
  } else if (type == FileType::png) {
    write_png_metadata(temporary_file, metadata);
  } else {
    write_jpeg_metadata(temporary_file, metadata);
  }
  return differences(metadata, read_metadata(temporary_file));
}

}  // namespace trunnion
