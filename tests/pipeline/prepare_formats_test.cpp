// What prepare keeps of the input's format: the colour profile byte for byte, the upright view.
#include <gtest/gtest.h>
#include <tiffio.h>

#include <opencv2/core.hpp>

#include "core/image_io.h"
#include "tests/support/small_set.h"

namespace trunnion {
namespace prepare_formats_test {

void set_tags(const std::filesystem::path& file, int orientation, const std::string& profile) {
  TIFF* tiff = TIFFOpen(file.c_str(), "r+");
  ASSERT_NE(tiff, nullptr);
  TIFFSetField(tiff, TIFFTAG_ORIENTATION, orientation);
  TIFFSetField(tiff, TIFFTAG_ICCPROFILE, static_cast<std::uint32_t>(profile.size()),
               profile.data());
  TIFFRewriteDirectory(tiff);
  TIFFClose(tiff);
}

TEST(PrepareFormats, CarriesTheProfileAndWritesUprightImages) {
  demo::DemoOptions options = test::SmallSet::small_options();
  options.stations = 4;
  const test::SmallSet plain(true, options);
  const test::SmallSet turned(true, options);
  // Of a profile's content only the header matters here: size, colour space and signature (ICC.1,
  // 7.2); one of another colour space than the image's is refused by name.
  std::string profile(3144, '\0');
  for (std::size_t i = 0; i < profile.size(); ++i) profile[i] = static_cast<char>(i * 31 % 251);
  profile.replace(0, 4, std::string("\x00\x00\x0c\x48", 4));
  profile.replace(16, 4, "RGB ");
  profile.replace(36, 4, "acsp");
  for (const auto& entry : std::filesystem::directory_iterator(turned.workspace() / "fused")) {
    cv::Mat stored;
    cv::rotate(read_image(entry.path()), stored, cv::ROTATE_90_COUNTERCLOCKWISE);
    write_image(entry.path(), stored, {});
    set_tags(entry.path(), 6, profile);  // 6: turn clockwise to see it upright (Exif 2.32, 4.6.4)
  }
  (void)plain.prepare();
  (void)turned.prepare();
  const auto file = turned.prepared() / "images/mid_001.tif";
  const cv::Mat expected = read_image(plain.prepared() / "images/mid_001.tif");
  EXPECT_EQ(cv::norm(read_image(file), expected, cv::NORM_INF), 0.0);
  EXPECT_EQ(probe_image(file).orientation, 1);

  TIFF* tiff = TIFFOpen(file.c_str(), "r");
  ASSERT_NE(tiff, nullptr);
  std::uint32_t size = 0;
  void* bytes = nullptr;
  ASSERT_EQ(TIFFGetField(tiff, TIFFTAG_ICCPROFILE, &size, &bytes), 1);
  EXPECT_EQ(std::string(static_cast<const char*>(bytes), size), profile);
  TIFFClose(tiff);
}

}  // namespace prepare_formats_test
}  // namespace trunnion
