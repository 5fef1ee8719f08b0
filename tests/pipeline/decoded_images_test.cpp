#include "pipeline/decoded_images.h"

#include <gtest/gtest.h>

#include <chrono>
#include <fstream>
#include <iterator>
#include <thread>

#include "core/files.h"
#include "core/image_io.h"
#include "tests/support/open_data.h"
#include "tests/support/samples.h"

namespace trunnion {
namespace decoded_images_test {

constexpr double kSlow = 3600;  // s, of decoding

struct Kept {
  test::TemporaryFolder folder;
  cv::Mat image = test::sample_image(300, 200, CV_16U, 3);
  fs::path write(const char* name, FileType type, bool compress = true) {
    const fs::path file = folder.path() / name;
    write_image(file, image, {.type = type, .compress = compress});
    return file;
  }
};

TEST(DecodedImages, ComeBackOnceAsTheyWere) {
  Kept kept;
  DecodedImages decoded(kept.folder.path(), 0);
  for (const fs::path& file :
       {kept.write("a.tif", FileType::tiff), kept.write("b.png", FileType::png)}) {
    EXPECT_TRUE(decoded.take(file).empty());
    decoded.keep(file, kept.image, kSlow, true);
    const cv::Mat back = decoded.take(file);
    ASSERT_EQ(back.type(), kept.image.type());
    ASSERT_EQ(back.size(), kept.image.size());
    EXPECT_EQ(cv::norm(back, kept.image, cv::NORM_INF), 0);
    EXPECT_TRUE(decoded.take(file).empty());
  }
}

std::ptrdiff_t open_files() {
  return std::distance(fs::directory_iterator("/proc/self/fd"), fs::directory_iterator());
}

TEST(DecodedImages, ComeBackAheadOfBeingTaken) {
  Kept kept;
  const std::ptrdiff_t before = open_files();
  DecodedImages decoded(kept.folder.path(), 0);
  std::vector<fs::path> files;
  for (const char* name : {"a.tif", "b.tif", "c.tif", "d.tif"}) {
    files.push_back(kept.write(name, FileType::tiff));
    decoded.keep(files.back(), kept.image, kSlow, true);
  }
  EXPECT_EQ(open_files(), before + 4);
  std::ofstream(files[1], std::ios::app) << "more";
  for (const fs::path& file : files) decoded.read_ahead(file);
  decoded.read_ahead(files[0]);  // once is enough
  decoded.read_ahead(kept.folder.path() / "never kept.tif");
  using namespace std::chrono_literals;
  for (int k = 0; k < 1000 && open_files() > before; ++k) std::this_thread::sleep_for(10ms);
  EXPECT_EQ(open_files(), before) << "all are in memory";
  EXPECT_EQ(cv::norm(decoded.take(files[2]), kept.image, cv::NORM_INF), 0);
  EXPECT_TRUE(decoded.take(files[1]).empty());
  decoded.forget(files[3]);
  EXPECT_TRUE(decoded.take(files[3]).empty());
  EXPECT_EQ(cv::norm(decoded.take(files[0]), kept.image, cv::NORM_INF), 0);
  EXPECT_TRUE(decoded.take(files[0]).empty());
}

TEST(DecodedImages, LeaveNoFileOpen) {
  Kept kept;
  const std::ptrdiff_t before = open_files();
  {
    DecodedImages decoded(kept.folder.path(), 0);
    for (const char* name : {"taken.tif", "read ahead.tif", "forgotten.tif", "left.tif"}) {
      decoded.keep(kept.write(name, FileType::tiff), kept.image, kSlow, true);
    }
    EXPECT_FALSE(decoded.take(kept.folder.path() / "taken.tif").empty());
    decoded.read_ahead(kept.folder.path() / "read ahead.tif");
    decoded.forget(kept.folder.path() / "forgotten.tif");
    EXPECT_TRUE(decoded.take(kept.folder.path() / "forgotten.tif").empty());
  }
  EXPECT_EQ(open_files(), before);
}

// Writing past the system's memory, then through it, is tried once each.
TEST(DecodedImages, AreDecodedAgainWhereThatIsFasterThanWritingHasBeen) {
  Kept kept;
  DecodedImages decoded(kept.folder.path(), 0);
  for (const char* name : {"past.tif", "through.tif"}) {
    const fs::path file = kept.write(name, FileType::tiff);
    decoded.keep(file, kept.image, 0, false);
    EXPECT_EQ(cv::norm(decoded.take(file), kept.image, cv::NORM_INF), 0);
  }
  const fs::path third = kept.write("third.tif", FileType::tiff);
  decoded.keep(third, kept.image, 0, false);
  EXPECT_TRUE(decoded.take(third).empty());
  decoded.keep(third, kept.image, kSlow, true);
  EXPECT_FALSE(decoded.take(third).empty());
}

TEST(DecodedImages, AreNotThoseOfAFileThatHasChanged) {
  Kept kept;
  const fs::path file = kept.write("a.tif", FileType::tiff);
  DecodedImages decoded(kept.folder.path(), 0);
  decoded.keep(file, kept.image, kSlow, true);
  std::ofstream(file, std::ios::app) << "more";
  EXPECT_TRUE(decoded.take(file).empty());
}

TEST(DecodedImages, AreNotKeptWhereThatGainsNothingOrTheDiskIsShort) {
  Kept kept;
  const fs::path plain = kept.write("plain.tif", FileType::tiff, false);
  const fs::path packed = kept.write("packed.tif", FileType::tiff);
  DecodedImages decoded(kept.folder.path(), 0);
  decoded.keep(plain, kept.image, kSlow, true);
  EXPECT_TRUE(decoded.take(plain).empty());
  DecodedImages full(kept.folder.path(), std::uintmax_t{1} << 62U);
  full.keep(packed, kept.image, kSlow, true);
  EXPECT_TRUE(full.take(packed).empty());
  DecodedImages nowhere(kept.folder.path() / "missing", 0);
  nowhere.keep(packed, kept.image, kSlow, true);
  EXPECT_TRUE(nowhere.take(packed).empty());
}

}  // namespace decoded_images_test
}  // namespace trunnion
