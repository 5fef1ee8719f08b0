#include "stages/survey.h"

#include <fmt/format.h>
#include <tbb/global_control.h>
#include <tbb/parallel_pipeline.h>

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <exception>
#include <opencv2/imgproc.hpp>

#include "core/contrast.h"
#include "core/error.h"
#include "stages/survey_backdrop.h"
#include "stages/survey_dust.h"
#include "stages/survey_kind.h"
#include "stages/survey_separation.h"
#include "stages/survey_stack.h"

namespace trunnion {
namespace {

constexpr double kFaint = 12.0;  // contrast: a clear but small step of grey

template <typename T>
T median_of(std::vector<T> values) {
  if (values.empty()) return T{};
  const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  return *middle;
}

// Median contrast of the noise over the frame.
double typical_noise(const SurveyResult& result) {
  const cv::Mat sigma = contrast_noise(
      result.backdrop, to_lab(result.backdrop, result.full_scale), result.full_scale,
      result.noise_at_zero, result.noise_per_level);
  return median_of(std::vector<float>(sigma.begin<float>(), sigma.end<float>()));
}

double corner_falloff(const cv::Mat& backdrop, const cv::Mat& seen) {
  cv::Mat grey;
  cv::cvtColor(backdrop, grey, cv::COLOR_BGR2GRAY);
  const int w = std::max(1, grey.cols / 10);
  const int h = std::max(1, grey.rows / 10);
  const cv::Rect middle((grey.cols - 2 * w) / 2, (grey.rows - 2 * h) / 2, 2 * w, 2 * h);
  const double centre = cv::mean(grey(middle))[0];
  double darkest = centre;
  for (const cv::Point corner :
       {cv::Point(0, 0), cv::Point(grey.cols - w, 0), cv::Point(0, grey.rows - h),
        cv::Point(grey.cols - w, grey.rows - h)}) {
    const cv::Rect part(corner, cv::Size(w, h));
    if (cv::countNonZero(seen(part)) == 0) continue;
    darkest = std::min(darkest, cv::mean(grey(part))[0]);
  }
  return centre > 0 ? darkest / centre : 1.0;
}

// Blocks that a speck on the sensor touches.
cv::Mat spotted(const SurveyResult& result, const cv::Size& blocks) {
  cv::Mat map = cv::Mat::zeros(blocks, CV_8U);
  for (const Spot& spot : result.spots) {
    const double radius = std::max(0.8 * spot.length_px, spot.diameter_px) + 1.0;
    const cv::Point2d at((spot.x_px + 0.5) / result.scale - 0.5,
                         (spot.y_px + 0.5) / result.scale - 0.5);
    cv::circle(map, {static_cast<int>(std::lround(at.x)), static_cast<int>(std::lround(at.y))},
               static_cast<int>(std::ceil(radius / result.scale)), cv::Scalar(255), cv::FILLED);
  }
  return map;
}

// What is taken from one image.
struct Sight {
  std::exception_ptr error;  // why it could not be read
  std::size_t index = 0;
  cv::Size size;
  int depth = CV_8U;
  SurveyFrame frame;
  std::vector<NoiseSample> noise;
  DustSight dust;
};

double full_scale_of(int depth) {
  return depth == CV_16U ? 65535.0 : 255.0;
}

Sight look_at(std::size_t index, const ImageReader& read) {
  Sight sight;
  sight.index = index;
  try {
    const cv::Mat image = read(index);
    sight.size = image.size();
    sight.depth = image.depth();
    const double full_scale = full_scale_of(sight.depth);
    sight.frame = reduce(image, block_side(sight.size, kSurveyLongestPx), full_scale);
    sample_noise(image, full_scale, sight.noise);
    sight.dust = look_for_dust(image);
  } catch (...) {
    sight.error = std::current_exception();
  }
  return sight;
}

void check_same(const Sight& sight, const Sight& first) {
  if (sight.size == first.size && sight.depth == first.depth) return;
  throw data_error(fmt::format(
      "image {} of the set is {} x {} pixels at {} bits, but the first one is {} x {} at {}; all "
      "images of one set must have one size and depth: move the odd ones out.",
      sight.index, sight.size.width, sight.size.height, sight.depth == CV_16U ? 16 : 8,
      first.size.width, first.size.height, first.depth == CV_16U ? 16 : 8));
}

// Looks at several images at once and takes what they show in the order of the set, so that the
// result, and which error comes first, don't depend on the number of threads.
void look_at_all(const std::vector<std::size_t>& images, const ImageReader& read,
                 const std::function<void(Sight&)>& take) {
  using tbb::filter_mode;
  const std::size_t at_once =
      tbb::global_control::active_value(tbb::global_control::max_allowed_parallelism);
  // Owned here: what is under way when an error ends the pipeline would be lost in it.
  std::vector<Sight> sights(images.size());
  std::size_t next = 0;
  const auto begin = [&](tbb::flow_control& control) {
    if (next < images.size()) return next++;
    control.stop();
    return std::size_t{0};
  };
  const auto look = [&](std::size_t at) {
    sights[at] = look_at(images[at], read);
    return at;
  };
  const auto hand_over = [&](std::size_t at) {
    if (sights[at].error) std::rethrow_exception(sights[at].error);
    take(sights[at]);
    sights[at] = Sight();
  };
  tbb::parallel_pipeline(
      at_once, tbb::make_filter<void, std::size_t>(filter_mode::serial_in_order, begin) &
                   tbb::make_filter<std::size_t, std::size_t>(filter_mode::parallel, look) &
                   tbb::make_filter<std::size_t, void>(filter_mode::serial_in_order, hand_over));
}

}  // namespace

SurveyResult survey(const std::vector<std::size_t>& images, const ImageReader& read,
                    const std::optional<cv::Mat>& empty_stage, BackdropKind backdrop,
                    const SurveySettings& settings) {
  static_cast<void>(settings);
  SurveyResult result;
  result.images = images;
  std::vector<SurveyFrame> frames;
  std::vector<NoiseSample> noise_samples;
  std::optional<DustLook> dust;
  Sight first;
  look_at_all(images, read, [&](Sight& sight) {
    if (frames.empty()) {
      first.size = sight.size;
      first.depth = sight.depth;
      result.width_px = sight.size.width;
      result.height_px = sight.size.height;
      result.full_scale = full_scale_of(sight.depth);
      result.scale = block_side(sight.size, kSurveyLongestPx);
      dust.emplace(sight.size);
    }
    check_same(sight, first);
    frames.push_back(std::move(sight.frame));
    noise_samples.insert(noise_samples.end(), sight.noise.begin(), sight.noise.end());
    dust->add(sight.dust, fit_noise(noise_samples, result.full_scale));
  });
  if (frames.empty()) throw data_error("no image to survey; check the rings of specimen.toml.");
  const NoiseModel noise = fit_noise(noise_samples, result.full_scale);
  result.noise_at_zero = noise.at_zero;
  result.noise_per_level = noise.per_level;

  result.spots = dust->spots();
  equalise_exposure(frames);
  const double to_stack = 65535.0 / result.full_scale;
  const double averaged = result.scale * result.scale;
  const BlockNoise block_noise{to_stack * to_stack * noise.at_zero / averaged,
                               to_stack * noise.per_level / averaged};
  const cv::Mat spots = spotted(result, frames.front().mean.size());
  StackBackdrop estimate = estimate_backdrop(frames, block_noise, spots);
  if (empty_stage) {
    const SurveyFrame empty = reduce(*empty_stage, result.scale, result.full_scale);
    empty.mean.convertTo(estimate.value, CV_32F);
    estimate.seen.setTo(255);
  }
  result.backdrop_seen = estimate.seen;
  estimate.value.convertTo(result.backdrop, CV_32F, 1.0 / to_stack);
  result.falloff = corner_falloff(result.backdrop, result.backdrop_seen);

  const std::vector<cv::Mat> contrasts = frame_contrasts(frames, estimate.value, result.scale == 1);
  for (const cv::Mat& map : contrasts) cv::Mat(map).setTo(0, spots);
  result.separation = separate(contrasts, typical_noise(result));
  cv::Mat occupied = cv::Mat::zeros(estimate.seen.size(), CV_32FC1);
  for (const cv::Mat& map : contrasts) {
    cv::Mat specimen;
    cv::Mat(map >= result.separation.low).convertTo(specimen, CV_32F);
    occupied += specimen;
  }
  occupied.convertTo(result.occupied, CV_8U, 1.0 / static_cast<double>(frames.size()));
  result.mount = find_mount(result.occupied);
  result.findings = dust_advice(result.spots, {result.width_px, result.height_px});
  if (const std::optional<Finding> doubt = contradiction(result, backdrop)) {
    result.findings.push_back(*doubt);
  }
  if (result.separation.specimen < kFaint ||
      result.separation.specimen < 3.0 * result.separation.low) {
    result.findings.push_back(
        {Severity::doubt, "survey", "",
         fmt::format(
             "the specimen stands out from the backdrop by a contrast of only {:.0f}, where "
             "{:.0f} and more make safe masks",
             result.separation.specimen, std::max(kFaint, 3.0 * result.separation.low)),
         "choose a backdrop of another brightness or colour, or light it apart from the specimen"});
  }
  return result;
}

std::vector<std::size_t> survey_stations(const std::vector<std::size_t>& ring_sizes, int wanted) {
  std::size_t total = 0;
  for (const std::size_t size : ring_sizes) total += size;
  const auto want = static_cast<std::size_t>(std::max(1, wanted));
  std::vector<std::size_t> stations;
  if (total <= want) {
    for (std::size_t k = 0; k < total; ++k) stations.push_back(k);
    return stations;
  }
  // Even over the concatenated rings is even over each ring, in proportion to its size.
  for (std::size_t k = 0; k < want; ++k) stations.push_back((2 * k + 1) * total / (2 * want));
  return stations;
}

}  // namespace trunnion
