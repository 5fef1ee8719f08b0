#include "tests/support/rich_metadata.h"

#include <exiv2/exiv2.hpp>

#include "tests/support/samples.h"

namespace trunnion::test {

Metadata rich_metadata(std::size_t maker_note_bytes) {
  initialise_metadata();
  Exiv2::XmpProperties::registerNs("http://museum.example/catalogue/", "catalogue");
  Metadata source;
  source.icc = test::icc_profile(false);
  source.exif["Exif.Image.Make"] = "ACME  Optical ";  // double and trailing spaces stay
  source.exif["Exif.Image.Model"] = "model 7  ";
  source.exif["Exif.Image.Artist"] = "M. Example";
  source.exif["Exif.Image.Software"] = "fuser 3.1";
  source.exif["Exif.Image.Orientation"] = std::uint16_t{6};
  source.exif["Exif.Image.DateTime"] = "2026:02:03 04:05:06";
  source.exif["Exif.Photo.DateTimeOriginal"] = "2026:02:03 04:05:06";
  source.exif["Exif.Photo.ExposureTime"] = Exiv2::URational(1, 125);
  source.exif["Exif.Photo.FNumber"] = Exiv2::URational(56, 10);
  source.exif["Exif.Photo.UserComment"] =
      "charset=Unicode K\xC3\xA4"
      "fer";
  source.exif["Exif.Photo.FocalLength"] = Exiv2::URational(100, 1);
  source.exif["Exif.Photo.ImageUniqueID"] = "00112233445566778899aabbccddeeff";
  std::string note = "\x01\x02opaque";
  while (note.size() < maker_note_bytes) note += static_cast<char>(note.size() * 7);
  Exiv2::DataValue value(Exiv2::undefined);
  value.read(reinterpret_cast<const Exiv2::byte*>(note.data()), static_cast<long>(note.size()));
  source.exif.add(Exiv2::ExifKey("Exif.Photo.MakerNote"), &value);
  source.exif["Exif.GPSInfo.GPSVersionID"] = "2 3 0 0";
  source.exif["Exif.GPSInfo.GPSLatitudeRef"] = "N";
  source.exif["Exif.GPSInfo.GPSLatitude"] = "52/1 31/1 1234/100";
  source.iptc["Iptc.Application2.Caption"] = "Glass beetle";
  source.iptc["Iptc.Application2.ObjectName"] = "GB-7";
  source.xmp["Xmp.dc.title"] = "lang=x-default Glass beetle 7";
  source.xmp["Xmp.dc.creator"] = "M. Example";
  source.xmp["Xmp.catalogue.Number"] = "GB-7/2026";
  source.xmp["Xmp.tiff.Orientation"] = "6";
  return source;
}

}  // namespace trunnion::test
