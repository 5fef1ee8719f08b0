#include "core/embedded_preview.h"

#include <exiv2/exiv2.hpp>
#include <memory>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>
#include <vector>

#include "core/error.h"
#include "core/image_io.h"
#include "core/metadata.h"
#include "core/xmp_toolkit.h"

namespace trunnion {
namespace {

namespace fs = std::filesystem;

constexpr std::uint32_t kWide = 300;        // px: wide enough to compare and to judge
constexpr std::uint32_t kNarrow = 96;       // px: enough to compare
constexpr std::uint64_t kMuch = 5'000'000;  // px: slower to decode than all else together
constexpr int kTarget = 400;                // px: wider ones are decoded at a reduced size
constexpr std::uintmax_t kMostBytes = 256U << 20U;

std::uint64_t pixels_of(const Exiv2::PreviewProperties& p) {
  return std::uint64_t{p.width_} * p.height_;
}

// The smallest that is wide enough; a huge one only where there is no other.
const Exiv2::PreviewProperties* choose(const Exiv2::PreviewPropertiesList& list) {
  const Exiv2::PreviewProperties* chosen = nullptr;
  for (const Exiv2::PreviewProperties& p : list) {  // by size, smallest first
    const bool enough = chosen != nullptr && chosen->width_ >= kWide;
    const bool too_much = chosen != nullptr && chosen->width_ >= kNarrow && pixels_of(p) > kMuch;
    if (!enough && !too_much) chosen = &p;
  }
  return chosen;
}

cv::Mat decode(const std::vector<unsigned char>& bytes, std::uint32_t width) {
  const int mode = width >= 8 * kTarget   ? cv::IMREAD_REDUCED_GRAYSCALE_8
                   : width >= 4 * kTarget ? cv::IMREAD_REDUCED_GRAYSCALE_4
                   : width >= 2 * kTarget ? cv::IMREAD_REDUCED_GRAYSCALE_2
                                          : cv::IMREAD_GRAYSCALE;
  try {
    return cv::imdecode(bytes, mode | cv::IMREAD_IGNORE_ORIENTATION);
  } catch (const cv::Exception&) {
    return {};
  }
}

// The image itself, reduced, where no preview is embedded.
cv::Mat decode_whole(const fs::path& file) {
  try {
    ImageLimits limits;
    limits.more_pages = true;
    limits.wrong_extension = true;
    cv::Mat image = read_image(file, limits);
    if (image.channels() > 1) {
      cv::cvtColor(image, image, image.channels() == 4 ? cv::COLOR_BGRA2GRAY : cv::COLOR_BGR2GRAY);
    }
    if (image.depth() == CV_16U) image.convertTo(image, CV_8U, 1.0 / 257.0);
    const double scale = static_cast<double>(kTarget) / image.cols;
    if (scale < 1) cv::resize(image, image, {}, scale, scale, cv::INTER_AREA);
    return image;
  } catch (const Error&) {
    return {};
  } catch (const cv::Exception&) {
    return {};
  }
}

}  // namespace

bool may_be_frame(const fs::path& file) {
  try {
    initialise_metadata();
    const int type = Exiv2::ImageFactory::getType(file.string());
    return type != Exiv2::ImageType::none && type != Exiv2::ImageType::xmp;
  } catch (const Exiv2::AnyError&) {
    return false;
  }
}

FrameHeader read_frame_header(const fs::path& file) {
  FrameHeader header;
  std::vector<unsigned char> bytes;
  std::uint32_t width = 0;
  try {
    initialise_metadata();
    const std::unique_ptr<Exiv2::Image> image(Exiv2::ImageFactory::open(file.string()).release());
    {
      const auto lock = packets_one_at_a_time();
      image->readMetadata();
    }
    header.readable = true;
    header.exif = image->exifData();
    const Exiv2::PreviewManager manager(*image);
    const Exiv2::PreviewPropertiesList list = manager.getPreviewProperties();
    if (const auto* chosen = choose(list); chosen != nullptr && chosen->size_ <= kMostBytes) {
      const Exiv2::PreviewImage preview = manager.getPreviewImage(*chosen);
      bytes.assign(preview.pData(), preview.pData() + preview.size());
      width = preview.width();
    }
  } catch (const Exiv2::AnyError&) {
    if (!header.readable) return header;
  }
  if (!bytes.empty()) header.preview = decode(bytes, width);
  if (header.preview.empty()) header.preview = decode_whole(file);
  return header;
}

}  // namespace trunnion
