// Pixels of TIFFs against a decoder that shares no code with libtiff: tifffile (Debian
// python3-tifffile), with the LZW of TIFF 6.0, section 13, in tests/reference/tiff_pixels.py.
#include <gtest/gtest.h>

#include <cstdlib>

#include "core/files.h"
#include "core/image_io.h"
#include "tests/support/open_data.h"
#include "tests/support/tiff_matrix.h"

namespace trunnion {
namespace decoders_test {

bool tifffile_installed() {
  return std::system("/usr/bin/python3 -c 'import tifffile' >/dev/null 2>&1") == 0;
}

// Runs tiff_pixels.py on a temporary folder of ours.
int tiff_pixels(const std::string& what, const fs::path& folder) {
  const fs::path script = test::source_folder() / "tests/reference/tiff_pixels.py";
  return std::system(
      ("/usr/bin/python3 '" + script.string() + "' " + what + " '" + folder.string() + "'")
          .c_str());
}

// NAME.raw, as read_image would give it.
cv::Mat reference_of(const fs::path& file, cv::Size size, int bits, int samples) {
  fs::path raw = file;
  std::string bytes = read_file(raw.replace_extension(".raw"));
  const cv::Mat image(size, CV_MAKETYPE(bits == 16 ? CV_16U : CV_8U, samples), bytes.data());
  if (bytes.size() != image.total() * image.elemSize()) return {};
  return test::as_read(image).clone();
}

TEST(Decoders, LayoutsOfLibtiffAgreeWithTifffile) {
  if (!tifffile_installed()) GTEST_SKIP() << "SKIPPED: python3-tifffile is not installed";
  const test::TemporaryFolder folder;
  const std::vector<test::TiffCase> cases = test::tiff_cases();
  for (const test::TiffCase& c : cases) {
    write_tiff_case(folder.path() / (c.name() + ".tif"), c, test::tiff_samples(c));
  }
  ASSERT_EQ(tiff_pixels("decode", folder.path()), 0);
  for (const test::TiffCase& c : cases) {
    SCOPED_TRACE(c.name());
    const fs::path file = folder.path() / (c.name() + ".tif");
    const cv::Mat found = read_image(file);
    const cv::Mat expected = reference_of(file, found.size(), c.bits, c.samples);
    ASSERT_EQ(found.type(), expected.type());
    EXPECT_EQ(cv::norm(found, expected, cv::NORM_INF), 0.0);
  }
}

TEST(Decoders, LayoutsOfTifffileAreRead) {
  if (!tifffile_installed()) GTEST_SKIP() << "SKIPPED: python3-tifffile is not installed";
  const test::TemporaryFolder folder;
  ASSERT_EQ(tiff_pixels("write", folder.path()), 0);
  int files = 0;
  for (const auto& entry : fs::directory_iterator(folder.path())) {
    if (entry.path().extension() != ".tif") continue;
    SCOPED_TRACE(entry.path().filename().string());
    const ImageInfo info = probe_image(entry.path());
    const cv::Mat found = read_image(entry.path());
    const cv::Mat expected = reference_of(entry.path(), found.size(), info.bits, info.channels);
    ASSERT_EQ(found.type(), expected.type());
    EXPECT_EQ(cv::norm(found, expected, cv::NORM_INF), 0.0);
    ++files;
  }
  EXPECT_EQ(files, 160);
}

}  // namespace decoders_test
}  // namespace trunnion
