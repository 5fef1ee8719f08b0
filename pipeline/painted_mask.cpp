#include "pipeline/painted_mask.h"

#include <fmt/format.h>
#include <zlib.h>

#include <algorithm>
#include <array>
#include <cstdint>
#include <fstream>
#include <iterator>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>
#include <vector>

#include "core/error.h"

namespace trunnion {
namespace {

namespace fs = std::filesystem;

constexpr std::size_t kPngHeadBytes = 26;  // signature, then IHDR up to the colour type
constexpr const char* kPaintAgain = "paint it again and save it as PNG";

Error wrong(const fs::path& file, const std::string& what) {
  return data_error(fmt::format("{}: {}", file.string(), what));
}

std::vector<unsigned char> bytes_of(const fs::path& file) {
  std::ifstream stream(file, std::ios::binary);
  std::vector<unsigned char> bytes{std::istreambuf_iterator<char>(stream), {}};
  if (!stream && bytes.empty()) {
    throw wrong(file, "cannot be read; check the permissions of the painted mask.");
  }
  return bytes;
}

std::uint32_t big_endian(const unsigned char* bytes) {
  std::uint32_t value = 0;
  for (int k = 0; k < 4; ++k) value = (value << 8U) | bytes[k];
  return value;
}

// Whether all chunks are whole, each with its checksum, up to IEND (W3C PNG, 5.3): what is missing
// the decoder fills with black and says nothing, what is damaged it reports past this program.
bool is_whole(const std::vector<unsigned char>& bytes) {
  constexpr std::size_t kFrame = 12;  // length, type and checksum
  for (std::size_t at = 8; bytes.size() - at >= kFrame;) {
    const std::size_t length = big_endian(&bytes[at]);
    if (length > bytes.size() - at - kFrame) return false;
    const unsigned char* type = &bytes[at + 4];
    if (crc32(0, type, static_cast<uInt>(length + 4)) != big_endian(type + 4 + length))
      return false;
    if (std::equal(type, type + 4, "IEND")) return true;
    at += length + kFrame;
  }
  return false;
}

// Empty where the file is damaged.
cv::Mat decoded(const std::vector<unsigned char>& bytes) {
  if (!is_whole(bytes)) return {};
  try {
    return cv::imdecode(bytes, cv::IMREAD_UNCHANGED | cv::IMREAD_IGNORE_ORIENTATION);
  } catch (const cv::Exception&) {
    return {};
  }
}

// Reads a mask where there is one; what is wrong with it becomes a doubt.
cv::Mat read_or_doubt(const std::optional<fs::path>& file, mask::MaskResult& mask) {
  if (!file) return {};
  try {
    return read_painted_mask(*file, mask.coverage.size());
  } catch (const Error& error) {
    if (error.kind() != Error::Kind::data) throw;
    mask.findings.push_back({Severity::doubt, "mask", "",
                             fmt::format("the painted mask {} is not used: {}",
                                         file->filename().string(), error.what()),
                             "repair the painted mask or delete it, then run prepare again"});
    return {};
  }
}

// All that was painted, whether it changed a pixel or confirmed it.
cv::Mat strokes_of(const cv::Mat& add, const cv::Mat& subtract, const cv::Size& size) {
  const cv::Mat nothing = cv::Mat::zeros(size, CV_8U);
  cv::Mat strokes = mask::apply_user_mask(nothing, add, {});
  if (!subtract.empty()) strokes |= mask::apply_user_mask(nothing, subtract, {});
  return strokes;
}

bool reaches(const cv::Mat& strokes, const cv::Rect& place) {
  const cv::Rect inside = place & cv::Rect({0, 0}, strokes.size());
  return inside.empty() || cv::countNonZero(strokes(inside)) > 0;
}

void measure_strokes(const cv::Mat& strokes, const cv::Mat& was, const cv::Mat& is,
                     HandPainting& result) {
  const int area = std::max({1, cv::countNonZero(was), cv::countNonZero(is)});
  result.changed_share = static_cast<double>(cv::countNonZero(was != is)) / area;
  cv::Mat inner;
  cv::erode(was, inner, cv::Mat());
  const cv::Mat outline = was & ~inner;
  cv::Mat near;  // a stroke that ends at the outline decides it too
  cv::dilate(strokes, near, cv::Mat());
  result.outline_share = static_cast<double>(cv::countNonZero(outline & near)) /
                         std::max(1, cv::countNonZero(outline));
}

}  // namespace

UserMasks find_user_masks(const fs::path& fused_image) {
  UserMasks user;
  const auto find = [&](const char* suffix, std::optional<fs::path>& place) {
    const fs::path file = fused_image.parent_path() / (fused_image.stem().string() + suffix);
    if (fs::is_regular_file(file)) place = file;
  };
  find(".mask-add.png", user.add);
  find(".mask-subtract.png", user.subtract);
  return user;
}

cv::Mat read_painted_mask(const fs::path& file, const cv::Size& image) {
  const std::vector<unsigned char> bytes = bytes_of(file);
  // W3C PNG, 5.2 and 11.2.2.
  constexpr std::array<unsigned char, 8> kSignature{0x89, 'P', 'N', 'G', 0x0D, 0x0A, 0x1A, 0x0A};
  if (bytes.size() < kPngHeadBytes ||
      !std::equal(kSignature.begin(), kSignature.end(), bytes.begin())) {
    throw wrong(file, fmt::format("is no PNG; {}.", kPaintAgain));
  }
  const std::uint32_t width = big_endian(&bytes[16]);
  const std::uint32_t height = big_endian(&bytes[20]);
  if (width != static_cast<std::uint32_t>(image.width) ||
      height != static_cast<std::uint32_t>(image.height)) {
    throw wrong(file, fmt::format("is {} x {} pixels, but its image is {} x {}; paint the mask at "
                                  "the size of the fused image.",
                                  width, height, image.width, image.height));
  }
  const cv::Mat mask = decoded(bytes);
  const bool usable = mask.size() == image && (mask.depth() == CV_8U || mask.depth() == CV_16U) &&
                      (mask.channels() == 1 || mask.channels() == 3 || mask.channels() == 4);
  if (!usable) throw wrong(file, fmt::format("is damaged or truncated; {}.", kPaintAgain));
  return mask;
}

HandPainting apply_user_masks(mask::MaskResult& mask, const UserMasks& user,
                              const cv::Rect& missing) {
  HandPainting result;
  const std::size_t by_stage = mask.findings.size();
  const cv::Mat add = read_or_doubt(user.add, mask);
  const cv::Mat subtract = read_or_doubt(user.subtract, mask);
  if (add.empty() && subtract.empty()) return result;
  const MaskMeasures before = mask.measures;
  const mask::MaskResult by_contrast = mask;
  cv::Mat added = mask::apply_user_mask(mask.outline, add, {});
  added(missing).setTo(0);
  mask.coverage = mask::apply_user_mask(mask.coverage, add, subtract);
  mask.outline = mask::apply_user_mask(mask.outline, add, subtract);
  mask.coverage(missing).setTo(0);
  mask.outline(missing).setTo(0);
  result.painted = cv::countNonZero(mask.coverage != by_contrast.coverage) > 0 ||
                   cv::countNonZero(mask.outline != by_contrast.outline) > 0;
  if (!result.painted) {
    mask.findings.push_back({Severity::note, "mask", "", "the painted mask changes nothing",
                             "paint white, or with alpha opaque, what is to be added or removed"});
    return result;
  }
  mask.measures = mask::measure_mask(mask.outline);
  mask.measures.separation = before.separation;
  mask.measures.weak_outline = before.weak_outline;
  const cv::Mat was = by_contrast.outline > 127;
  const cv::Mat is = mask.outline > 127;
  const cv::Mat strokes = strokes_of(add, subtract, was.size());
  measure_strokes(strokes, was, is, result);
  if (before.predicted_overlap > 0 && !reaches(strokes, before.doubt_px)) {
    mask.measures.predicted_overlap = before.predicted_overlap;
    mask.measures.predicted_sigma = before.predicted_sigma;
    mask.measures.doubt_px = before.doubt_px;
  }
  if (cv::countNonZero(mask.outline < added) > 0) {
    result.before_subtraction = mask::measure_mask(added).silhouette;
  }
  // The stage doubts masks of nothing: answered, unless nothing is left.
  if (cv::countNonZero(mask.coverage > 127) > 0) {
    for (std::size_t k = 0; k < by_stage; ++k) mask.findings[k].severity = Severity::note;
  }
  mask.findings.push_back({Severity::note, "mask", "",
                           fmt::format("the mask was changed by hand: {} px added, {} px removed",
                                       cv::countNonZero(is & ~was), cv::countNonZero(was & ~is)),
                           "nothing to do; delete the painted mask beside the image to undo it"});
  return result;
}

}  // namespace trunnion
