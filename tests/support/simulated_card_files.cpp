#include <fmt/format.h>

#include <cmath>
#include <cstring>
#include <fstream>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>

#include "core/date.h"
#include "datasets/random.h"
#include "tests/support/simulated_card.h"

namespace trunnion::test {
namespace {

// A little-endian TIFF, directory by directory (TIFF 6.0, section 2).
class TiffBytes {
 public:
  TiffBytes() : bytes_("II*\0\0\0\0\0", 8) {}

  std::uint32_t add(const std::string& content) {
    if (bytes_.size() % 2 == 1) bytes_ += '\0';
    const auto at = static_cast<std::uint32_t>(bytes_.size());
    bytes_ += content;
    return at;
  }

  void number(std::uint16_t tag, std::uint32_t value) { entry(tag, 4, 1, little(value)); }
  void numbers(std::uint16_t tag, const std::vector<std::uint32_t>& values) {
    std::string all;
    for (const std::uint32_t v : values) all += little(v);
    entry(tag, 4, static_cast<std::uint32_t>(values.size()), all);
  }
  void text(std::uint16_t tag, const std::string& value) {
    entry(tag, 2, static_cast<std::uint32_t>(value.size()) + 1, value + '\0');
  }
  void fraction(std::uint16_t tag, std::uint32_t over, std::uint32_t under) {
    entry(tag, 5, 1, little(over) + little(under));
  }

  // Ends a directory and returns where it stands.
  std::uint32_t close() {
    std::string directory = little(static_cast<std::uint32_t>(count_)).substr(0, 2);
    directory += entries_ + little(0);
    entries_.clear();
    count_ = 0;
    return add(directory);
  }

  std::string finish(std::uint32_t first) {
    const std::string at = little(first);
    bytes_.replace(4, 4, at);
    return bytes_;
  }

 private:
  static std::string little(std::uint32_t value) {
    std::string four;
    for (int i = 0; i < 4; ++i) four += static_cast<char>(value >> (8 * i) & 0xFFU);
    return four;
  }
  void entry(std::uint16_t tag, std::uint16_t type, std::uint32_t count, std::string value) {
    value.resize(std::max<std::size_t>(4, value.size()), '\0');
    if (value.size() > 4) value = little(add(value));
    entries_ += little(tag).substr(0, 2) + little(type).substr(0, 2) + little(count) + value;
    ++count_;
  }

  std::string bytes_;
  std::string entries_;
  std::size_t count_ = 0;
};

std::string preview_jpeg(const gather::Frame& frame) {
  const cv::Mat small(gather::kGreyHeight, gather::kGreyWidth, CV_32F,
                      const_cast<float*>(frame.grey.data()));
  cv::Mat wide;
  cv::resize(small, wide, {360, 240}, 0, 0, cv::INTER_CUBIC);
  wide.convertTo(wide, CV_8U, 255.0);
  std::vector<unsigned char> bytes;
  cv::imencode(".jpg", wide, bytes, {cv::IMWRITE_JPEG_QUALITY, 90});
  return {bytes.begin(), bytes.end()};
}

std::string noise(std::uint64_t seed, std::size_t bytes) {
  demo::Draws draws(seed, 7);
  std::string content;
  while (content.size() < bytes) content += static_cast<char>(draws.next() & 0xFFU);
  return content;
}

void add_exposure(TiffBytes& tiff, int denominator) {
  tiff.fraction(0x829A, 1, static_cast<std::uint32_t>(denominator));
  tiff.fraction(0x829D, 56, 10);
  tiff.number(0x8827, 100);
}

std::string tiff_ep(const gather::Frame& frame, std::uint64_t seed) {
  const double whole = std::floor(*frame.time_s);
  const std::string date = exif_date(static_cast<std::time_t>(whole));
  int denominator = 60;
  std::sscanf(frame.settings.c_str(), "1/%d", &denominator);
  TiffBytes tiff;
  const std::string jpeg = preview_jpeg(frame);
  const std::uint32_t preview_at = tiff.add(jpeg);
  const std::string mosaic = noise(seed, 32 * 24 * 2);
  const std::uint32_t mosaic_at = tiff.add(mosaic);
  tiff.number(0x00FE, 1);  // NewSubfileType: reduced
  tiff.number(0x0100, 360);
  tiff.number(0x0101, 240);
  tiff.number(0x0103, 6);
  tiff.number(0x0201, preview_at);
  tiff.number(0x0202, static_cast<std::uint32_t>(jpeg.size()));
  const std::uint32_t preview = tiff.close();
  tiff.number(0x00FE, 0);
  tiff.number(0x0100, 32);
  tiff.number(0x0101, 24);
  tiff.number(0x0102, 16);
  tiff.number(0x0103, 1);
  tiff.number(0x0106, 32803);  // colour filter array
  tiff.number(0x0111, mosaic_at);
  tiff.number(0x0115, 1);
  tiff.number(0x0116, 24);
  tiff.number(0x0117, static_cast<std::uint32_t>(mosaic.size()));
  const std::uint32_t raw = tiff.close();
  add_exposure(tiff, denominator);
  tiff.text(0x9003, date);
  if (frame.subseconds) {
    tiff.text(0x9291, fmt::format("{:02}", std::lround((*frame.time_s - whole) * 100)));
  }
  const std::uint32_t exif = tiff.close();
  tiff.text(0x0132, date);
  tiff.numbers(0x014A, {preview, raw});
  tiff.number(0x8769, exif);
  tiff.number(0x9216, 1);  // TIFF/EPStandardID 1.0.0.0
  const std::uint32_t first = tiff.close();
  return tiff.finish(first);
}

}  // namespace

void write_card(const SimulatedCard& card, const std::filesystem::path& root) {
  for (std::size_t i = 0; i < card.frames.size(); ++i) {
    const gather::Frame& frame = card.frames[i];
    std::filesystem::create_directories((root / frame.file).parent_path());
    std::ofstream(root / frame.file, std::ios::binary)
        << (frame.readable ? tiff_ep(frame, i) : noise(i, 300));
  }
}

}  // namespace trunnion::test
