#include "stages/refine/features.h"

#include <algorithm>
#include <cmath>
#include <cstring>
#include <opencv2/features2d.hpp>
#include <opencv2/imgproc.hpp>
#include <utility>

#include "core/angle.h"
#include "core/error.h"

namespace trunnion::refine {
namespace {

// A nearly untextured specimen shows fewer blobs than this; then shallower ones are taken, too.
// What is noise among them finds no partner along the epipolar bands.
constexpr std::size_t kFew = 400;
constexpr double kShallower = 8.0;
constexpr std::uint32_t kMagic = 0x32465254;  // "TRF2"

constexpr std::uint32_t kMostSide = 200'000;  // of a level, px

// Before the features in the journal's cache.
struct Header {
  std::array<std::uint32_t, 6> counts;  // magic, width, height, features, level's columns and rows
  std::array<double, 5> places;         // level scale, level's first pixel x y, step x y
};

// OpenCV 4.6 finds every blob a quarter pixel right of and below its place: it doubles the image
// with half-pixel centres and halves positions without them. Blobs of known place, 1.2 to 8 px
// wide, measured 0.249 to 0.257 px in x and y (see the test).
constexpr double kDetectorShift = 0.25;

// 8-bit grey of the level that is searched.
cv::Mat search_level(const cv::Mat& image, double level_scale) {
  cv::Mat reduced = image;
  if (level_scale > 1.0) {
    cv::resize(image, reduced, {}, 1.0 / level_scale, 1.0 / level_scale, cv::INTER_AREA);
  }
  cv::Mat grey;
  if (reduced.channels() == 1) {
    grey = reduced;
  } else {
    cv::cvtColor(reduced, grey, reduced.channels() == 4 ? cv::COLOR_BGRA2GRAY : cv::COLOR_BGR2GRAY);
  }
  if (grey.depth() == CV_16U) grey.convertTo(grey, CV_8U, 1.0 / 257.0);
  return grey;
}

// Distance of each level pixel from what is not wholly specimen; empty without a mask.
cv::Mat inside_distance(const cv::Mat& mask_coverage, const cv::Size& size) {
  if (mask_coverage.empty()) return {};
  cv::Mat level;
  cv::resize(mask_coverage, level, size, 0, 0, cv::INTER_AREA);
  cv::Mat inside;
  cv::threshold(level, inside, 250, 255, cv::THRESH_BINARY);
  cv::Mat distance;
  cv::distanceTransform(inside, distance, cv::DIST_L2, cv::DIST_MASK_3);
  return distance;
}

// Where features may lie, with a margin that their surroundings stay within. The detector's scales
// take some 250 bytes a pixel, and half of the frame is backdrop. The origin lies on the grid of
// the detector's coarse octaves, so that it samples the same places as on the whole level.
cv::Rect search_box(const cv::Mat& mask, const cv::Size& size) {
  constexpr int kMargin = 48;
  constexpr int kGrid = 32;
  const cv::Rect whole({0, 0}, size);
  if (mask.empty()) return whole;
  const cv::Rect inside = cv::boundingRect(mask);
  if (inside.empty()) return inside;
  const cv::Point first(std::max(0, inside.x - kMargin) / kGrid * kGrid,
                        std::max(0, inside.y - kMargin) / kGrid * kGrid);
  return cv::Rect(first, inside.br() + cv::Point(kMargin, kMargin)) & whole;
}

std::uint32_t colour_at(const cv::Mat& image, double x, double y) {
  const int column = std::clamp(static_cast<int>(std::lround(x)), 0, image.cols - 1);
  const int row = std::clamp(static_cast<int>(std::lround(y)), 0, image.rows - 1);
  const int channels = image.channels();
  const auto value = [&](int channel) -> std::uint32_t {
    const int k = column * channels + (channels == 1 ? 0 : channel);
    return image.depth() == CV_16U ? image.ptr<std::uint16_t>(row)[k] / 257U
                                   : image.ptr<std::uint8_t>(row)[k];
  };
  return (value(2) << 16U) | (value(1) << 8U) | value(0);
}

// The strongest of every cell first, so that points spread over the specimen; ties by position.
std::vector<int> spread(const std::vector<cv::KeyPoint>& points, std::vector<int> order,
                        const cv::Size& size, std::size_t wanted) {
  constexpr int kCells = 24;
  const auto cell_of = [&](const cv::KeyPoint& p) {
    const int cx = std::min(kCells - 1, static_cast<int>(p.pt.x) * kCells / size.width);
    const int cy = std::min(kCells - 1, static_cast<int>(p.pt.y) * kCells / size.height);
    return cy * kCells + cx;
  };
  const auto stronger = [&](int a, int b) {
    const cv::KeyPoint& p = points[static_cast<std::size_t>(a)];
    const cv::KeyPoint& q = points[static_cast<std::size_t>(b)];
    if (p.response != q.response) return p.response > q.response;
    if (p.pt.y != q.pt.y) return p.pt.y < q.pt.y;
    if (p.pt.x != q.pt.x) return p.pt.x < q.pt.x;
    return p.angle < q.angle;
  };
  std::sort(order.begin(), order.end(), stronger);
  std::vector<int> rank(points.size());
  std::vector<int> filled(kCells * kCells, 0);
  for (const int i : order) {
    const auto k = static_cast<std::size_t>(i);
    rank[k] = filled[static_cast<std::size_t>(cell_of(points[k]))]++;
  }
  std::sort(order.begin(), order.end(), [&](int a, int b) {
    const int ra = rank[static_cast<std::size_t>(a)];
    const int rb = rank[static_cast<std::size_t>(b)];
    return ra != rb ? ra < rb : stronger(a, b);
  });
  if (order.size() > wanted) order.resize(wanted);
  return order;
}

struct Blobs {
  std::vector<cv::KeyPoint> points;
  cv::Mat descriptors;      // a row each
  std::vector<int> inside;  // indices of those that lie wholly inside the specimen
};

// Blobs of at least this contrast. All are described: that costs less than a second scale space for
// those that are kept. `most`: noise may be taken for a great many.
Blobs find_blobs(const cv::Mat& level, const cv::Mat& mask, const cv::Mat& distance,
                 double contrast, int most) {
  Blobs found;
  cv::SIFT::create(most, 3, contrast)
      ->detectAndCompute(level, mask, found.points, found.descriptors);
  for (std::size_t i = 0; i < found.points.size(); ++i) {
    const cv::KeyPoint& p = found.points[i];
    if (distance.empty() ||
        distance.at<float>(static_cast<int>(p.pt.y), static_cast<int>(p.pt.x)) >= 0.5F * p.size) {
      found.inside.push_back(static_cast<int>(i));
    }
  }
  return found;
}

// Square roots of the normalised histogram, scaled to bytes: Euclidean distance of these is the
// Hellinger distance of the histograms.
void root_descriptor(const cv::Mat& row, std::array<std::uint8_t, kDescriptorSize>& out) {
  const auto* values = row.ptr<float>(0);
  float sum = 0;
  for (int k = 0; k < kDescriptorSize; ++k) sum += values[k];
  const float scale = sum > 0 ? 1.0F / sum : 0.0F;
  for (int k = 0; k < kDescriptorSize; ++k) {
    const float root = 255.0F * 2.0F * std::sqrt(values[k] * scale);
    out[static_cast<std::size_t>(k)] = static_cast<std::uint8_t>(std::min(255.0F, root + 0.5F));
  }
}

}  // namespace

// What the alignment needs of the level.
void keep_level(ImageFeatures& features, const cv::Mat& level, const cv::Mat& mask,
                const cv::Point& first, const cv::Point2d& step) {
  features.level = level & 0xFE;
  cv::bitwise_or(features.level, 1, features.level, mask);
  features.level_step_px = step;
  features.level_first_px = {(first.x + 0.5) * step.x - 0.5, (first.y + 0.5) * step.y - 0.5};
}

ImageFeatures extract_features(const cv::Mat& image, const cv::Mat& mask_coverage,
                               const RefineSettings& settings) {
  CV_Assert(image.depth() == CV_8U || image.depth() == CV_16U);
  ImageFeatures result;
  result.width_px = image.cols;
  result.height_px = image.rows;
  const double megapixels = static_cast<double>(image.cols) * image.rows / 1e6;
  result.level_scale = std::max(1.0, std::sqrt(megapixels / settings.level_megapixels));
  const cv::Mat whole = search_level(image, result.level_scale);
  cv::Mat distance = inside_distance(mask_coverage, whole.size());
  cv::Mat mask = distance.empty() ? cv::Mat() : cv::Mat(distance > 2.0);
  const cv::Rect box = search_box(mask, whole.size());
  if (box.empty()) return result;
  const cv::Mat level = whole(box);
  if (!mask.empty()) mask = mask(box);
  if (!distance.empty()) distance = distance(box);
  const int most = 3 * settings.max_features;  // more than are kept, which are spread evenly
  Blobs blobs = find_blobs(level, mask, distance, settings.min_contrast, most);
  if (blobs.inside.size() < kFew) {
    blobs = find_blobs(level, mask, distance, settings.min_contrast / kShallower, most);
  }
  const std::vector<int> kept = spread(blobs.points, std::move(blobs.inside), level.size(),
                                       static_cast<std::size_t>(settings.max_features));
  const double sx = static_cast<double>(image.cols) / whole.cols;
  const double sy = static_cast<double>(image.rows) / whole.rows;
  keep_level(result, level, mask, box.tl(), {sx, sy});
  for (const int i : kept) {
    const cv::KeyPoint& point = blobs.points[static_cast<std::size_t>(i)];
    Feature feature;
    const double x = (static_cast<double>(point.pt.x) + box.x - kDetectorShift + 0.5) * sx - 0.5;
    const double y = (static_cast<double>(point.pt.y) + box.y - kDetectorShift + 0.5) * sy - 0.5;
    feature.x_px = static_cast<float>(x);
    feature.y_px = static_cast<float>(y);
    feature.scale_px = static_cast<float>(point.size * sx);
    feature.orientation = static_cast<float>(radians(point.angle));
    feature.response = point.response;
    feature.rgb = colour_at(image, x, y);
    root_descriptor(blobs.descriptors.row(i), feature.descriptor);
    result.points.push_back(feature);
  }
  return result;
}

std::string features_to_bytes(const ImageFeatures& features) {
  static_assert(std::is_trivially_copyable_v<Feature>);
  const auto count = static_cast<std::uint32_t>(features.points.size());
  const Header header{{kMagic, static_cast<std::uint32_t>(features.width_px),
                       static_cast<std::uint32_t>(features.height_px), count,
                       static_cast<std::uint32_t>(features.level.cols),
                       static_cast<std::uint32_t>(features.level.rows)},
                      {features.level_scale, features.level_first_px.x, features.level_first_px.y,
                       features.level_step_px.x, features.level_step_px.y}};
  std::string bytes(reinterpret_cast<const char*>(&header), sizeof header);
  bytes.append(reinterpret_cast<const char*>(features.points.data()), count * sizeof(Feature));
  for (int y = 0; y < features.level.rows; ++y) {
    bytes.append(features.level.ptr<char>(y), static_cast<std::size_t>(features.level.cols));
  }
  return bytes;
}

ImageFeatures features_from_bytes(std::string_view bytes) {
  Header header{};
  if (bytes.size() >= sizeof header) std::memcpy(&header, bytes.data(), sizeof header);
  const auto [magic, width, height, count, columns, rows] = header.counts;
  const std::size_t level_bytes = std::size_t{columns} * rows;
  if (magic != kMagic || columns > kMostSide || rows > kMostSide ||
      bytes.size() != sizeof header + count * sizeof(Feature) + level_bytes) {
    throw data_error("The cached features are damaged; delete the folder .trunnion and run again.");
  }
  ImageFeatures features;
  features.width_px = static_cast<int>(width);
  features.height_px = static_cast<int>(height);
  features.level_scale = header.places[0];
  features.level_first_px = {header.places[1], header.places[2]};
  features.level_step_px = {header.places[3], header.places[4]};
  features.points.resize(count);
  const char* at = bytes.data() + sizeof header;
  if (count > 0) std::memcpy(features.points.data(), at, count * sizeof(Feature));
  if (level_bytes > 0) {
    features.level.create(static_cast<int>(rows), static_cast<int>(columns), CV_8U);
    std::memcpy(features.level.data, at + count * sizeof(Feature), level_bytes);
  }
  return features;
}

}  // namespace trunnion::refine
