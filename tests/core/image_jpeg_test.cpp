#include "core/image_jpeg.h"

#include <gtest/gtest.h>

#include <fstream>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>

#include "core/error.h"
#include "core/files.h"
#include "tests/support/open_data.h"

namespace trunnion {
namespace image_jpeg_test {

cv::Mat colourful(int width, int height) {
  cv::Mat image(height, width, CV_8UC3);
  cv::RNG(5).fill(image, cv::RNG::UNIFORM, 0, 256);
  cv::GaussianBlur(image, image, {5, 5}, 1.0);
  return image;
}

void invert(const fs::path& file, std::size_t first, std::size_t count) {
  std::string bytes = read_file(file);
  for (std::size_t i = first; i < first + count; ++i) bytes[i] ^= '\xFF';
  std::ofstream(file, std::ios::binary) << bytes;
}

TEST(ImageJpeg, DamageIsAnErrorOfThatFileAndNothingIsPrinted) {
  const test::TemporaryFolder folder;
  const fs::path file = folder.path() / "a.jpg";
  write_image(file, colourful(320, 240), {.type = FileType::jpeg});
  invert(file, read_file(file).size() / 3, 200);
  testing::internal::CaptureStderr();
  std::string message;
  try {
    (void)read_image(file);
  } catch (const Error& error) {
    message = error.what();
    EXPECT_EQ(error.kind(), Error::Kind::data);
  }
  EXPECT_EQ(testing::internal::GetCapturedStderr(), "");
  EXPECT_NE(message.find(file.string()), std::string::npos) << message;
  EXPECT_NE(message.find("damaged JPEG"), std::string::npos) << message;
}

// A reader that is not ours (OpenCV) sees the same pixels; both go through libjpeg.
TEST(ImageJpeg, PixelsAreThoseOfAnotherReader) {
  const test::TemporaryFolder folder;
  const fs::path file = folder.path() / "a.jpg";
  for (const ChromaSampling chroma :
       {ChromaSampling{1, 1}, ChromaSampling{2, 1}, ChromaSampling{1, 2}, ChromaSampling{2, 2},
        ChromaSampling{4, 1}}) {
    write_image(file, colourful(333, 127), {.type = FileType::jpeg, .chroma = chroma});
    EXPECT_EQ(probe_image(file).chroma, chroma) << chroma.x << " " << chroma.y;
    EXPECT_EQ(cv::norm(read_image(file), cv::imread(file.string()), cv::NORM_INF), 0.0);
  }
  cv::Mat grey;
  cv::cvtColor(colourful(333, 127), grey, cv::COLOR_BGR2GRAY);
  write_image(file, grey, {.type = FileType::jpeg});
  EXPECT_TRUE(probe_image(file).grey);
  EXPECT_EQ(
      cv::norm(read_image(file), cv::imread(file.string(), cv::IMREAD_UNCHANGED), cv::NORM_INF),
      0.0);
}

// ITU-T T.81, B.2.2: the sampling factors stand in the frame header, one byte a component.
TEST(ImageJpeg, WritesTheSamplingFactorsOfTheStandard) {
  const test::TemporaryFolder folder;
  const fs::path file = folder.path() / "a.jpg";
  write_image(file, colourful(64, 64), {.type = FileType::jpeg, .chroma = {2, 1}});
  const std::string bytes = read_file(file);
  const std::size_t frame = bytes.find("\xFF\xC0");
  ASSERT_NE(frame, std::string::npos);
  EXPECT_EQ(bytes[frame + 11], '\x21');
  EXPECT_EQ(bytes[frame + 14], '\x11');
  EXPECT_EQ(bytes[frame + 17], '\x11');
}

}  // namespace image_jpeg_test
}  // namespace trunnion
