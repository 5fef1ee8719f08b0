#include "pipeline/desk/strokes.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>
#include <utility>

#include "core/error.h"
#include "core/files.h"
#include "core/image_io.h"
#include "pipeline/painted_mask.h"
#include "stages/mask/mask.h"

namespace trunnion::desk {
namespace {

constexpr std::size_t kLongestHistory = 500;

std::vector<unsigned char> png_of(const cv::Mat& mask) {
  std::vector<unsigned char> bytes;
  cv::imencode(".png", mask, bytes, {cv::IMWRITE_PNG_COMPRESSION, 1});
  return bytes;
}

cv::Mat mask_of(const std::vector<unsigned char>& png) {
  return cv::imdecode(png, cv::IMREAD_GRAYSCALE);
}

std::string stamp_of_file(const fs::path& file) {
  std::error_code code;
  const auto size = fs::file_size(file, code);
  if (code) return "absent";
  return fmt::format("{}:{}", size, fs::last_write_time(file, code).time_since_epoch().count());
}

void write_or_remove(const fs::path& file, const cv::Mat& mask) {
  if (cv::countNonZero(mask) == 0) {
    std::error_code code;
    fs::remove(file, code);
    if (code) throw output_error(fmt::format("{}: {}.", file.string(), code.message()));
    return;
  }
  PendingFile pending(file);
  write_image(pending.temporary(), mask, {.type = FileType::png});
  pending.commit();
}

// Around the stroke, within the image.
cv::Rect around(const Stroke& stroke, double margin, const cv::Size& image) {
  double left = 1e9;
  double top = 1e9;
  double right = -1e9;
  double bottom = -1e9;
  for (const cv::Point2d& point : stroke.points) {
    left = std::min(left, point.x);
    top = std::min(top, point.y);
    right = std::max(right, point.x);
    bottom = std::max(bottom, point.y);
  }
  const cv::Point from(static_cast<int>(std::floor(left - margin)),
                       static_cast<int>(std::floor(top - margin)));
  const cv::Point to(static_cast<int>(std::ceil(right + margin)) + 1,
                     static_cast<int>(std::ceil(bottom + margin)) + 1);
  return cv::Rect(from, to) & cv::Rect({0, 0}, image);
}

// The stroke in a window whose pixels are `scale` px of the image.
cv::Mat drawn(const Stroke& stroke, const cv::Rect& window, const cv::Size& size, double scale) {
  constexpr int kShift = 4;  // fractional bits of OpenCV's drawing
  constexpr double kUnit = 1 << kShift;
  cv::Mat mask = cv::Mat::zeros(size, CV_8U);
  const auto place = [&](const cv::Point2d& p) {
    return cv::Point(static_cast<int>(std::lround((p.x - window.x) / scale * kUnit)),
                     static_cast<int>(std::lround((p.y - window.y) / scale * kUnit)));
  };
  const double radius = std::max(stroke.radius_px / scale, 0.5);
  for (std::size_t k = 0; k < stroke.points.size(); ++k) {
    const cv::Point to = place(stroke.points[k]);
    cv::circle(mask, to, static_cast<int>(std::lround(radius * kUnit)), 255, cv::FILLED, cv::LINE_8,
               kShift);
    if (k == 0) continue;
    cv::line(mask, place(stroke.points[k - 1]), to, 255,
             std::clamp(static_cast<int>(std::lround(2 * radius)), 1, 32000), cv::LINE_8, kShift);
  }
  return mask;
}

// Those components of `found` that the stroke touches.
cv::Mat touched(const cv::Mat& found, const cv::Mat& stroke) {
  cv::Mat labels;
  const int count = cv::connectedComponents(found, labels, 8, CV_32S);
  std::vector<bool> keep(static_cast<std::size_t>(count), false);
  for (int y = 0; y < labels.rows; ++y) {
    for (int x = 0; x < labels.cols; ++x) {
      if (stroke.at<uchar>(y, x) > 0) keep[static_cast<std::size_t>(labels.at<int>(y, x))] = true;
    }
  }
  keep[0] = false;
  cv::Mat result = stroke.clone();
  for (int y = 0; y < labels.rows; ++y) {
    for (int x = 0; x < labels.cols; ++x) {
      if (keep[static_cast<std::size_t>(labels.at<int>(y, x))]) result.at<uchar>(y, x) = 255;
    }
  }
  return result;
}

}  // namespace

Region region_of(const Stroke& stroke, const cv::Size& image) {
  const cv::Rect place = around(stroke, stroke.radius_px + 1, image);
  if (place.empty()) return {};
  return {place, drawn(stroke, place, place.size(), 1.0)};
}

Region fill_of(const Stroke& stroke, const cv::Mat& image) {
  constexpr double kMostPixels = 300e3;  // so that it takes a fraction of a second
  constexpr int kRounds = 3;
  const cv::Rect place = around(stroke, 8 * stroke.radius_px + 8, image.size());
  if (place.empty()) return {};
  const double scale = std::max(1.0, std::sqrt(place.area() / kMostPixels));
  const cv::Size size(std::max(1, static_cast<int>(place.width / scale)),
                      std::max(1, static_cast<int>(place.height / scale)));
  cv::Mat window;
  cv::resize(image(place), window, size, 0, 0, cv::INTER_AREA);
  const cv::Mat seed = drawn(stroke, place, size, scale);
  Stroke wide = stroke;
  wide.radius_px *= 2;
  cv::Mat labels(size, CV_8U, cv::Scalar(cv::GC_PR_BGD));
  labels.setTo(cv::GC_PR_FGD, drawn(wide, place, size, scale));
  cv::rectangle(labels, cv::Rect({0, 0}, size), cv::GC_BGD, 2);
  labels.setTo(cv::GC_FGD, seed);
  cv::Mat found = seed;
  try {
    cv::theRNG().state = 1;  // k-means begins with random centres: the same ones every time
    cv::Mat back;
    cv::Mat front;
    cv::grabCut(window, labels, {}, back, front, kRounds, cv::GC_INIT_WITH_MASK);
    found = touched((labels == cv::GC_FGD) | (labels == cv::GC_PR_FGD), seed);
  } catch (const cv::Exception&) {
    // Too few pixels of one kind for a model of their colours.
  }
  cv::Mat full;
  cv::resize(found, full, place.size(), 0, 0, cv::INTER_LINEAR);
  Region region{place, full > 127};
  region.mask.setTo(255, drawn(stroke, place, place.size(), 1.0));
  return region;
}

StationPaint::StationPaint(const fs::path& fused, const cv::Size& size)
    : add_(fused.parent_path() / (fused.stem().string() + ".mask-add.png")),
      subtract_(fused.parent_path() / (fused.stem().string() + ".mask-subtract.png")),
      size_(size) {}

StationPaint::Masks StationPaint::read() const {
  const auto one = [&](const fs::path& file) -> cv::Mat {
    cv::Mat nothing = cv::Mat::zeros(size_, CV_8U);
    if (!fs::exists(file)) return nothing;
    return mask::apply_user_mask(nothing, read_painted_mask(file, size_), {});
  };
  return {one(add_), one(subtract_)};
}

std::string StationPaint::stamp() const {
  return stamp_of_file(add_) + " " + stamp_of_file(subtract_);
}

// What lies on the disk; where somebody else wrote it, the history begins here.
StationPaint::Masks StationPaint::current() {
  Masks masks = read();
  if (stamp_ != stamp()) {
    base_add_ = png_of(masks.add);
    base_subtract_ = png_of(masks.subtract);
    done_.clear();
  }
  return masks;
}

void StationPaint::apply(Masks& masks, Paint paint, const Region& region) {
  masks.add(region.place).setTo(paint == Paint::add ? 255 : 0, region.mask);
  masks.subtract(region.place).setTo(paint == Paint::subtract ? 255 : 0, region.mask);
}

void StationPaint::write(const Masks& masks) {
  write_or_remove(add_, masks.add);
  write_or_remove(subtract_, masks.subtract);
  stamp_ = stamp();
}

StationPaint::Masks StationPaint::replayed() const {
  Masks masks{mask_of(base_add_), mask_of(base_subtract_)};
  for (const Done& each : done_) {
    if (!each.undone) apply(masks, each.paint, {each.place, mask_of(each.png)});
  }
  return masks;
}

void StationPaint::paint(const std::string& page, Paint paint, const Region& region) {
  if (region.place.empty()) return;
  Masks masks = current();
  if (done_.size() == kLongestHistory) {  // the oldest becomes part of what is painted upon
    Masks base{mask_of(base_add_), mask_of(base_subtract_)};
    const Done& oldest = done_.front();
    if (!oldest.undone) apply(base, oldest.paint, {oldest.place, mask_of(oldest.png)});
    base_add_ = png_of(base.add);
    base_subtract_ = png_of(base.subtract);
    done_.pop_front();
  }
  apply(masks, paint, region);
  write(masks);
  // A new stroke ends what its page could redo.
  std::erase_if(done_, [&](const Done& each) { return each.undone && each.page == page; });
  done_.push_back({page, paint, region.place, png_of(region.mask)});
}

bool StationPaint::undo(const std::string& page) {
  (void)current();
  const auto last = std::find_if(done_.rbegin(), done_.rend(), [&](const Done& each) {
    return each.page == page && !each.undone;
  });
  if (last == done_.rend()) return false;
  last->undone = true;
  write(replayed());
  return true;
}

bool StationPaint::redo(const std::string& page) {
  (void)current();
  const auto first = std::find_if(done_.begin(), done_.end(), [&](const Done& each) {
    return each.page == page && each.undone;
  });
  if (first == done_.end()) return false;
  first->undone = false;
  write(replayed());
  return true;
}

}  // namespace trunnion::desk
