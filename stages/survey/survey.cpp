#include "stages/survey/survey.h"

#include <fmt/format.h>
#include <tbb/parallel_invoke.h>
#include <tbb/parallel_pipeline.h>

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <exception>
#include <iterator>
#include <opencv2/imgproc.hpp>
#include <span>

#include "core/contrast.h"
#include "core/error.h"
#include "core/freed_memory.h"
#include "core/median.h"
#include "core/threads.h"
#include "stages/survey/backdrop.h"
#include "stages/survey/doubt.h"
#include "stages/survey/dust.h"
#include "stages/survey/kind.h"
#include "stages/survey/separation.h"
#include "stages/survey/stack.h"

namespace trunnion::survey {
namespace {

constexpr double kFaint = 12.0;  // contrast: a clear but small step of grey

// Median contrast of the noise over the frame.
double typical_noise(const SurveyResult& result) {
  const cv::Mat sigma = contrast_noise(result.backdrop, to_lab(result.backdrop, result.full_scale),
                                       result.full_scale, result.noise);
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
cv::Mat spotted(const std::vector<Spot>& spots, int scale, const cv::Size& blocks) {
  cv::Mat map = cv::Mat::zeros(blocks, CV_8U);
  for (const Spot& spot : spots) {
    const double radius = std::max(0.8 * spot.length_px, spot.diameter_px) + 1.0;
    const cv::Point2d at((spot.x_px + 0.5) / scale - 0.5, (spot.y_px + 0.5) / scale - 0.5);
    cv::circle(map, {static_cast<int>(std::lround(at.x)), static_cast<int>(std::lround(at.y))},
               static_cast<int>(std::ceil(radius / scale)), cv::Scalar(255), cv::FILLED);
  }
  return map;
}

// What is taken from one image.
struct ImageStatistics {
  std::exception_ptr error;  // why it could not be read
  std::size_t index = 0;
  cv::Size size;
  int depth = CV_8U;
  SurveyFrame frame;
  std::vector<NoiseSample> noise;
  DustStatistics dust;
};

double full_scale_of(int depth) {
  return depth == CV_16U ? 65535.0 : 255.0;
}

ImageStatistics statistics_of(std::size_t index, const ImageReader& read) {
  ImageStatistics of_image;
  of_image.index = index;
  try {
    const cv::Mat image = read(index);
    of_image.size = image.size();
    of_image.depth = image.depth();
    const double full_scale = full_scale_of(of_image.depth);
    of_image.frame = reduce(image, block_side(of_image.size, kSurveyLongestPx), full_scale);
    sample_noise(image, full_scale, of_image.noise);
    of_image.dust = dust_statistics(image);
  } catch (...) {
    of_image.error = std::current_exception();
  }
  return of_image;
}

void check_same(const ImageStatistics& of_image, const cv::Size& size, int depth) {
  if (of_image.size == size && of_image.depth == depth) return;
  throw data_error(fmt::format(
      "image {} of the set is {} x {} pixels at {} bits, but the first one is {} x {} at {}; all "
      "images of a set must have the same size and depth; move the others out.",
      of_image.index, of_image.size.width, of_image.size.height, of_image.depth == CV_16U ? 16 : 8,
      size.width, size.height, depth == CV_16U ? 16 : 8));
}

// Examines several images at once and takes what they show in their order, so that the
// result, and which error comes first, don't depend on the number of threads.
void take_statistics(const std::span<const std::size_t> images, const ImageReader& read,
                     const std::function<void(ImageStatistics&)>& take) {
  using tbb::filter_mode;
  // Owned here: what is under way when an error ends the pipeline would be lost in it.
  std::vector<ImageStatistics> statistics(images.size());
  std::size_t next = 0;
  const auto begin = [&](tbb::flow_control& control) {
    if (next < images.size()) return next++;
    control.stop();
    return std::size_t{0};
  };
  const auto examine = [&](std::size_t at) {
    statistics[at] = statistics_of(images[at], read);
    return at;
  };
  const auto hand_over = [&](std::size_t at) {
    if (statistics[at].error) std::rethrow_exception(statistics[at].error);
    take(statistics[at]);
    statistics[at] = ImageStatistics();
  };
  tbb::parallel_pipeline(
      threads_at_once(),
      tbb::make_filter<void, std::size_t>(filter_mode::serial_in_order, begin) &
          tbb::make_filter<std::size_t, std::size_t>(filter_mode::parallel, examine) &
          tbb::make_filter<std::size_t, void>(filter_mode::serial_in_order, hand_over));
}

// The data of all stations surveyed so far.
struct Shown {
  cv::Size size;
  int depth = CV_8U;
  double full_scale = 255;
  int scale = 1;
  std::vector<SurveyFrame> frames;
  std::vector<std::vector<NoiseSample>> noise_samples;  // of each station
  std::optional<DustSearch> dust;

  void take(ImageStatistics& of_image) {
    if (frames.empty()) {
      size = of_image.size;
      depth = of_image.depth;
      full_scale = full_scale_of(depth);
      scale = block_side(size, kSurveyLongestPx);
      dust.emplace(size);
    }
    check_same(of_image, size, depth);
    frames.push_back(std::move(of_image.frame));
    noise_samples.push_back(std::move(of_image.noise));
    dust->add(of_image.index, of_image.dust, noise());
  }

  [[nodiscard]] NoiseModel noise() const {
    std::vector<NoiseSample> all;
    for (const auto& samples : noise_samples) {
      all.insert(all.end(), samples.begin(), samples.end());
    }
    return fit_noise(all, full_scale);
  }
};

// What has been learnt from them.
struct Estimate {
  std::vector<Spot> spots;
  cv::Mat spotted;  // CV_8U, blocks
  NoiseModel noise;
  StackBackdrop backdrop;
  SurveyDoubts doubts;
};

Estimate estimate_from(Shown& shown, bool backdrop_told) {
  Estimate estimate;
  estimate.noise = shown.noise();
  DustFound dust;
  tbb::parallel_invoke([&] { dust = shown.dust->spots(); },
                       [&] { equalise_exposure(shown.frames); });
  estimate.spots = std::move(dust.spots);
  const double to_stack = 65535.0 / shown.full_scale;
  const double averaged = shown.scale * shown.scale;
  const BlockNoise block_noise{to_stack * to_stack * estimate.noise.at_zero / averaged,
                               to_stack * estimate.noise.per_level / averaged};
  estimate.spotted = spotted(estimate.spots, shown.scale, shown.frames.front().mean.size());
  estimate.backdrop = estimate_backdrop(shown.frames, block_noise, estimate.spotted);
  estimate.doubts.specks = dust.doubtful;
  if (!backdrop_told) {
    estimate.doubts.backdrop = thin_backdrop(estimate.backdrop.visible, shown.frames.size());
  }
  estimate.doubts.noise = unsettled_noise(shown.noise_samples, shown.full_scale);
  return estimate;
}

// Round after round, see survey.h; `seen` says how many of the images were surveyed.
Estimate survey_until_sure(const std::vector<std::size_t>& images, const ImageReader& read,
                           const SurveySettings& settings, bool backdrop_told, Shown& shown,
                           std::size_t& seen) {
  std::optional<SurveyDoubts> before;
  for (;;) {
    const std::size_t end = survey_round_end(seen, images.size(), settings);
    // What further stations need is more than the first round left free, and of other sizes.
    const auto sparing = [&](std::size_t index) {
      if (before) return_freed_memory();
      return read(index);
    };
    take_statistics(std::span(images).subspan(seen, end - seen), sparing,
                    [&shown](ImageStatistics& of_image) { shown.take(of_image); });
    seen = end;
    if (shown.frames.empty())
      throw data_error("no image to survey; check the rings of specimen.toml.");
    if (before) return_freed_memory();
    Estimate estimate = estimate_from(shown, backdrop_told);
    const SurveyDoubts& now = estimate.doubts;
    if (seen == images.size() || !now.any() || (before && !now.eased_since(*before))) {
      return estimate;
    }
    before = now;
  }
}

// What neither turns nor differs clearly from the backdrop around it.
Finding still_part(const cv::Rect& blocks, int scale) {
  return {
      Severity::doubt, "survey", "",
      fmt::format("A part of the images (columns {} to {}, rows {} to {}) does not change while "
                  "the specimen turns and hardly differs from the backdrop around it; it was "
                  "taken for backdrop, but may be specimen.",
                  blocks.x * scale, blocks.br().x * scale - 1, blocks.y * scale,
                  blocks.br().y * scale - 1),
      "Check the masks there. An image of the empty stage ([backdrop] empty) or a backdrop of "
      "another brightness decides it."};
}

// The empty-stage image in the place of what the stations show of the backdrop.
void take_empty_stage(const EmptyStage& empty, SurveyResult& result, Estimate& estimate) {
  if (empty.image.size() != cv::Size(result.width_px, result.height_px)) {
    throw data_error(fmt::format(
        "the empty-stage image is {} x {} pixels, but the set's images are {} x {}; shoot it with "
        "the camera of the set.",
        empty.image.cols, empty.image.rows, result.width_px, result.height_px));
  }
  std::vector<Spot> repaired;
  std::copy_if(result.spots.begin(), result.spots.end(), std::back_inserter(repaired),
               [&](const Spot& spot) { return !empty.is_repaired || empty.is_repaired(spot); });
  const StackBackdrop& measured = estimate.backdrop;
  measured.value.convertTo(result.backdrop, CV_32F, result.full_scale / 65535.0);
  const double block_noise = typical_noise(result) / result.scale;
  const SetSpecks specks{estimate.spotted, spotted(repaired, result.scale, measured.value.size())};
  const cv::Mat value =
      backdrop_from_empty(empty.image, measured, specks, result.scale, block_noise);
  estimate.backdrop = {value, cv::Mat(value.size(), CV_8U, cv::Scalar(255)), measured.visible, {}};
}

}  // namespace

SurveyResult survey(const std::vector<std::size_t>& images, const ImageReader& read,
                    const std::optional<EmptyStage>& empty_stage, BackdropKind backdrop,
                    const SurveySettings& settings) {
  Shown shown;
  std::size_t seen = 0;
  Estimate estimate =
      survey_until_sure(images, read, settings, empty_stage.has_value(), shown, seen);
  SurveyResult result;
  result.images.assign(images.begin(), images.begin() + static_cast<std::ptrdiff_t>(seen));
  std::sort(result.images.begin(), result.images.end());
  result.width_px = shown.size.width;
  result.height_px = shown.size.height;
  result.full_scale = shown.full_scale;
  result.scale = shown.scale;
  result.noise = estimate.noise;
  result.spots = std::move(estimate.spots);
  const StackBackdrop measured = estimate.backdrop;  // by the stations
  if (empty_stage) take_empty_stage(*empty_stage, result, estimate);
  result.backdrop_seen = estimate.backdrop.seen;
  estimate.backdrop.value.convertTo(result.backdrop, CV_32F, result.full_scale / 65535.0);
  result.falloff = corner_falloff(result.backdrop, result.backdrop_seen);

  const std::vector<cv::Mat> contrasts =
      frame_contrasts(shown.frames, estimate.backdrop.value, result.scale == 1);
  for (const cv::Mat& map : contrasts) cv::Mat(map).setTo(0, estimate.spotted);
  result.separation = separate(contrasts, typical_noise(result));
  cv::Mat occupied = cv::Mat::zeros(result.backdrop_seen.size(), CV_32FC1);
  for (const cv::Mat& map : contrasts) {
    cv::Mat specimen;
    cv::Mat(map >= result.separation.low).convertTo(specimen, CV_32F);
    occupied += specimen;
  }
  occupied.convertTo(result.occupied, CV_8U, 1.0 / static_cast<double>(seen));
  result.mount = find_mount(result.occupied);
  result.findings = dust_advice(result.spots, {result.width_px, result.height_px});
  if (const std::optional<Finding> doubt = contradiction(result, backdrop)) {
    result.findings.push_back(*doubt);
  }
  if (const cv::Rect& part = estimate.backdrop.doubtful; !part.empty()) {
    result.findings.push_back(still_part(part, result.scale));
  }
  if (empty_stage) {
    const Findings doubts = disagreement(estimate.backdrop.value, measured, result.separation.low);
    result.findings.insert(result.findings.end(), doubts.begin(), doubts.end());
  }
  if (result.separation.specimen < kFaint ||
      result.separation.specimen < 3.0 * result.separation.low) {
    result.findings.push_back(
        {Severity::doubt, "survey", "",
         fmt::format("The contrast between specimen and backdrop is only {:.0f} (weighted CIELAB "
                     "difference); reliable masks need at least {:.0f}.",
                     result.separation.specimen, std::max(kFaint, 3.0 * result.separation.low)),
         "Choose a backdrop of another brightness or colour, or light it separately from the "
         "specimen."});
  }
  return result;
}

}  // namespace trunnion::survey
