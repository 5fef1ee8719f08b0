#include "core/metadata.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <tiffio.h>

#include <algorithm>
#include <exiv2/exiv2.hpp>
#include <fstream>

#include "core/error.h"
#include "core/files.h"
#include "tests/support/open_data.h"
#include "tests/support/rich_metadata.h"
#include "tests/support/tiff_matrix.h"

namespace trunnion {
namespace metadata_test {

using testing::Contains;
using testing::IsEmpty;

std::string exif_text(const Metadata& metadata, const char* key) {
  const auto at = metadata.exif.findKey(Exiv2::ExifKey(key));
  return at == metadata.exif.end() ? "" : at->toString();
}

// Tags as libtiff writes them into either kind of file.
void write_tagged(const fs::path& file, bool big_tiff, bool big_endian) {
  test::TiffCase c;
  c.big_tiff = big_tiff;
  c.big_endian = big_endian;
  write_tiff_case(file, c, test::tiff_samples(c));
  TIFF* t = TIFFOpen(file.c_str(), "r+");
  ASSERT_NE(t, nullptr);
  const std::string packet =
      "<x:xmpmeta xmlns:x='adobe:ns:meta/'><rdf:RDF "
      "xmlns:rdf='http://www.w3.org/1999/02/22-rdf-syntax-ns#'><rdf:Description rdf:about='' "
      "xmlns:xmp='http://ns.adobe.com/xap/1.0/' xmp:Label='beetle'/></rdf:RDF></x:xmpmeta>";
  const std::string profile = test::rich_metadata().icc;
  TIFFSetField(t, TIFFTAG_ARTIST, "M. Example");
  TIFFSetField(t, TIFFTAG_XRESOLUTION, 300.0);
  TIFFSetField(t, TIFFTAG_XMLPACKET, static_cast<std::uint32_t>(packet.size()), packet.data());
  TIFFSetField(t, TIFFTAG_ICCPROFILE, static_cast<std::uint32_t>(profile.size()), profile.data());
  TIFFRewriteDirectory(t);
  std::uint64_t exif = 0;
  TIFFCreateEXIFDirectory(t);
  TIFFSetField(t, EXIFTAG_EXPOSURETIME, 0.008);
  TIFFSetField(t, EXIFTAG_DATETIMEORIGINAL, "2026:02:03 04:05:06");
  TIFFWriteCustomDirectory(t, &exif);
  TIFFSetDirectory(t, 0);
  TIFFSetField(t, TIFFTAG_EXIFIFD, exif);
  TIFFRewriteDirectory(t);
  TIFFClose(t);
}

TEST(Metadata, OfABigTiffIsThatOfAClassicOne) {
  for (const bool big_endian : {false, true}) {
    const test::TemporaryFolder folder;
    write_tagged(folder.path() / "classic.tif", false, big_endian);
    write_tagged(folder.path() / "big.tif", true, big_endian);
    const Metadata classic = read_metadata(folder.path() / "classic.tif");
    const Metadata big = read_metadata(folder.path() / "big.tif");
    EXPECT_THAT(big.unreadable, IsEmpty());
    EXPECT_EQ(big.little_endian, !big_endian);
    EXPECT_EQ(big.icc, test::rich_metadata().icc);
    EXPECT_EQ(exif_text(big, "Exif.Image.Artist"), "M. Example");
    EXPECT_EQ(exif_text(big, "Exif.Photo.DateTimeOriginal"), "2026:02:03 04:05:06");
    EXPECT_EQ(exif_text(big, "Exif.Image.XResolution"),
              exif_text(classic, "Exif.Image.XResolution"));
    EXPECT_EQ(exif_text(big, "Exif.Photo.ExposureTime"),
              exif_text(classic, "Exif.Photo.ExposureTime"));
    ASSERT_NE(big.xmp.findKey(Exiv2::XmpKey("Xmp.xmp.Label")), big.xmp.end());
    EXPECT_EQ(big.xmp.findKey(Exiv2::XmpKey("Xmp.xmp.Label"))->toString(), "beetle");
  }
}

TEST(Metadata, OfADamagedBigTiffIsNamedAndEndsNothing) {
  const test::TemporaryFolder folder;
  const fs::path file = folder.path() / "big.tif";
  write_tagged(file, true, false);
  const std::string whole = read_file(file);
  for (std::size_t bytes = 8; bytes < whole.size(); bytes += 97) {
    std::ofstream(file, std::ios::binary) << whole.substr(0, bytes);
    EXPECT_NO_THROW((void)read_metadata(file)) << bytes;
  }
  std::ofstream(file, std::ios::binary) << whole.substr(0, 12);
  EXPECT_THAT(read_metadata(file).unreadable, Contains("Exif, XMP, IPTC or ICC"));
}

TEST(Metadata, OfNoImageIsNamedAndOfNoFileIsAnError) {
  const test::TemporaryFolder folder;
  std::ofstream(folder.path() / "a.tif") << "a letter, whatever its name says";
  EXPECT_THAT(read_metadata(folder.path() / "a.tif").unreadable,
              Contains("Exif, XMP, IPTC or ICC"));
  EXPECT_THROW((void)read_metadata(folder.path() / "none.tif"), Error);
}

std::string big_endian(std::uint32_t value) {
  std::string bytes(4, '\0');
  for (std::size_t i = 4; i-- > 0; value >>= 8U) bytes[i] = static_cast<char>(value & 0xFFU);
  return bytes;
}

std::string app1(const std::string& body) {
  const std::size_t length = body.size() + 2;
  return std::string("\xFF\xE1") + static_cast<char>(length / 256) +
         static_cast<char>(length % 256) + body;
}

std::string rdf(const std::string& inside) {
  return "<x:xmpmeta xmlns:x='adobe:ns:meta/'><rdf:RDF "
         "xmlns:rdf='http://www.w3.org/1999/02/22-rdf-syntax-ns#'><rdf:Description rdf:about='' "
         "xmlns:dc='http://purl.org/dc/elements/1.1/' xmlns:xmp='http://ns.adobe.com/xap/1.0/' "
         "xmlns:xmpNote='http://ns.adobe.com/xmp/note/' " +
         inside + "/></rdf:RDF></x:xmpmeta>";
}

// XMP specification part 3 (Adobe, 2020), 1.1.3.1: signature, digest of the packet as 32 letters,
// its full length, the offset of this part. Any 32 letters serve, since readers compare them only.
fs::path write_with_extension(const fs::path& folder, const std::string& value, bool whole) {
  const fs::path file = folder / "a.jpg";
  write_image(file, cv::Mat(16, 16, CV_8UC3, cv::Scalar(9, 8, 7)), {.type = FileType::jpeg});
  const std::string guid = "0123456789ABCDEF0123456789ABCDEF";
  const std::string extension = rdf("dc:source='" + value + "'");
  std::string segments = app1(std::string("http://ns.adobe.com/xap/1.0/\0", 29) +
                              rdf("xmp:Label='beetle' xmpNote:HasExtendedXMP='" + guid + "'"));
  constexpr std::size_t kPart = 60'000;
  for (std::size_t at = 0; at < extension.size(); at += kPart) {
    if (!whole && at == kPart) continue;
    segments += app1(std::string("http://ns.adobe.com/xmp/extension/\0", 35) + guid +
                     big_endian(static_cast<std::uint32_t>(extension.size())) +
                     big_endian(static_cast<std::uint32_t>(at)) + extension.substr(at, kPart));
  }
  const std::string bytes = read_file(file);
  std::ofstream(file, std::ios::binary) << bytes.substr(0, 2) + segments + bytes.substr(2);
  return file;
}

bool names_extension(const Exiv2::XmpData& xmp) {
  return std::any_of(xmp.begin(), xmp.end(),
                     [](const auto& datum) { return datum.tagName() == "HasExtendedXMP"; });
}

TEST(Metadata, ExtendedXmpIsReadWithTheMainPacket) {
  const test::TemporaryFolder folder;
  const std::string value(150'000, 'v');
  const Metadata metadata = read_metadata(write_with_extension(folder.path(), value, true));
  EXPECT_THAT(metadata.unreadable, IsEmpty());
  EXPECT_FALSE(names_extension(metadata.xmp));
  ASSERT_NE(metadata.xmp.findKey(Exiv2::XmpKey("Xmp.dc.source")), metadata.xmp.end());
  EXPECT_EQ(metadata.xmp.findKey(Exiv2::XmpKey("Xmp.dc.source"))->toString(), value);
  EXPECT_NE(metadata.xmp.findKey(Exiv2::XmpKey("Xmp.xmp.Label")), metadata.xmp.end());
}

TEST(Metadata, ExtendedXmpThatLacksAPartIsNamedAndNothingPointsToIt) {
  const test::TemporaryFolder folder;
  const Metadata metadata =
      read_metadata(write_with_extension(folder.path(), std::string(150'000, 'v'), false));
  EXPECT_THAT(metadata.unreadable, Contains("Extended XMP"));
  EXPECT_FALSE(names_extension(metadata.xmp));
  EXPECT_NE(metadata.xmp.findKey(Exiv2::XmpKey("Xmp.xmp.Label")), metadata.xmp.end());
}

TEST(Metadata, ChunksOfColourAndTextSurviveInAPng) {
  const test::TemporaryFolder folder;
  const fs::path file = folder.path() / "a.png";
  write_image(file, cv::Mat(16, 16, CV_8UC3, cv::Scalar(9, 8, 7)), {.type = FileType::png});
  Metadata metadata = test::rich_metadata();
  metadata.icc.clear();
  metadata.png = {{"gAMA", std::string("\0\0\xB1\x8F", 4)},
                  {"sRGB", std::string(1, '\0')},
                  {"pHYs", std::string("\0\0\x0B\x13\0\0\x0B\x13\x01", 9)},
                  {"tEXt", std::string("Title\0Beetle", 12)},
                  {"iTXt", std::string("Author\0\0\0\0\0K\xC3\xA4", 14)}};
  EXPECT_THAT(write_metadata(file, FileType::png, metadata), IsEmpty());
  Metadata found = read_metadata(file);
  EXPECT_EQ(found.png, metadata.png);
  EXPECT_THAT(found.unreadable, IsEmpty());
  // A byte of the text changed fails its checksum.
  std::string bytes = read_file(file);
  bytes[bytes.find("Beetle")] = 'F';
  std::ofstream(file, std::ios::binary) << bytes;
  EXPECT_THAT(read_metadata(file).unreadable, Contains("PNG chunk tEXt"));
}

TEST(Metadata, CommentSurvivesInAJpeg) {
  const test::TemporaryFolder folder;
  const fs::path file = folder.path() / "a.jpg";
  write_image(file, cv::Mat(16, 16, CV_8UC3, cv::Scalar(9, 8, 7)), {.type = FileType::jpeg});
  Metadata metadata;
  metadata.comment = "under the third lamp";
  EXPECT_THAT(write_metadata(file, FileType::jpeg, metadata), IsEmpty());
  EXPECT_EQ(read_metadata(file).comment, metadata.comment);
}

}  // namespace metadata_test
}  // namespace trunnion
