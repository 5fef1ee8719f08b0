#include "stages/survey_backdrop.h"

#include <Eigen/Cholesky>
#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <opencv2/imgproc.hpp>

#include "core/contrast.h"

namespace trunnion {
namespace {

using Pixel16 = cv::Vec<std::uint16_t, 3>;

constexpr double kEdgeShare = 0.05;      // width of the frame's edge that is looked at for exposure
constexpr double kMeasurable = 0.10;     // darker backdrops tell nothing about exposure
constexpr double kEdgeMeasurable = 0.3;  // of the edge must be brighter to tell
constexpr double kFlicker = 0.012;       // of the level: lamps from shot to shot, 1 sigma
constexpr double kStillSigmas = 2.5;     // median absolute deviation of what stays still, at most
constexpr float kAgree = 7.0F;  // contrast up to which a station may confirm a continuation
// Just noticeable difference (M. Mahy et al., "Evaluation of uniform color differences offered by
// CIELAB and CIELUV", Color Research and Application 19(2), 1994): backdrops repeat no better.
constexpr float kJust = 2.3F;
constexpr float kAgreeSigmas = 3.0F;    // of the noise, within which it does
constexpr double kErrorRank = 0.95;     // of the errors of a continuation: allowed for as well
constexpr double kGapShare = 0.08;      // of the image: gaps over which continuation is tested
constexpr float kSureShare = 0.5F;      // of the stations: enough to continue from
constexpr int kSmoothPx = 7;            // blocks over which the backdrop is averaged
constexpr int kTerms = 10;              // of the cubic surface under a continuation
constexpr int kRounds = 4;              // of its robust fit
constexpr double kLeastContrast = 1.5;  // of the low threshold; the eye's own limit is near 1
constexpr double kNoiseSigmas = 4.5;    // some 7 in a million by chance
constexpr double kPixelsAveraged =
    2.0;  // by how much averaging 3 x 3 px lowers the noise, at least
constexpr double kGreatestShare = 0.15;  // of the specimen's contrast: the low threshold at most
constexpr double kRestShare = 0.998;     // of the backdrop lies below its disturbance
constexpr double kRestMargin = 1.5;
constexpr int kAlways = 240;          // of 255: occupied at every station, save a miss
constexpr int kEver = 25;             // occupied at a tenth of them
constexpr double kMountWidth = 0.25;  // of the image; wider is a stage
constexpr double kMountSway = 1.6;    // a pin that is bent or off the axis sways a little
constexpr int kMountSlackPx = 3;
constexpr double kRimShare = 0.01;  // of the image: rim of the still region that isn't trusted

using Terms = Eigen::Matrix<double, kTerms, 1>;

template <typename T>
T median_of(std::vector<T>& values) {
  const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  return *middle;
}

cv::Mat median_of_stack(const std::vector<SurveyFrame>& frames, cv::Mat& spread) {
  const cv::Size size = frames.front().mean.size();
  cv::Mat median(size, CV_32FC3);
  spread.create(size, CV_32FC1);
  std::vector<float> values(frames.size());
  for (int y = 0; y < size.height; ++y) {
    auto* out = median.ptr<cv::Vec3f>(y);
    auto* wide = spread.ptr<float>(y);
    for (int x = 0; x < size.width; ++x) {
      wide[x] = 0;
      for (int c = 0; c < 3; ++c) {
        for (std::size_t k = 0; k < frames.size(); ++k) {
          values[k] =
              frames[k].mean.ptr<Pixel16>(y)[x][c] * frames[k].gain[static_cast<std::size_t>(c)];
        }
        const float middle = median_of(values);
        for (float& value : values) value = std::abs(value - middle);
        wide[x] = std::max(wide[x], median_of(values));
        out[x][c] = middle;
      }
    }
  }
  return median;
}

// The part of `still` that hangs together with the edge of the image.
cv::Mat joined_to_edge(const cv::Mat& still) {
  cv::Mat labels;
  const int count = cv::connectedComponents(still, labels, 4, CV_32S);
  std::vector<char> at_edge(static_cast<std::size_t>(count), 0);
  const auto mark = [&](int y, int x) {
    at_edge[static_cast<std::size_t>(labels.at<int>(y, x))] = 1;
  };
  for (int x = 0; x < labels.cols; ++x) {
    mark(0, x);
    mark(labels.rows - 1, x);
  }
  for (int y = 0; y < labels.rows; ++y) {
    mark(y, 0);
    mark(y, labels.cols - 1);
  }
  cv::Mat joined(still.size(), CV_8U);
  for (int y = 0; y < labels.rows; ++y) {
    for (int x = 0; x < labels.cols; ++x) {
      const int label = labels.at<int>(y, x);
      joined.at<std::uint8_t>(y, x) =
          label != 0 && at_edge[static_cast<std::size_t>(label)] != 0 ? 255 : 0;
    }
  }
  return joined;
}

cv::Mat equalised(const SurveyFrame& frame) {
  cv::Mat value;
  frame.mean.convertTo(value, CV_32F);
  cv::multiply(value, cv::Scalar(frame.gain[0], frame.gain[1], frame.gain[2]), value);
  return value;
}

// Mean of those stations whose distance from `prediction` is within `tolerance` (CIE L*a*b*), and
// how many do.
void agreeing_mean(const std::vector<SurveyFrame>& frames, const cv::Mat& prediction,
                   float tolerance, cv::Mat& mean, cv::Mat& count) {
  const cv::Mat lab = to_lab(prediction, 65535.0);
  mean = cv::Mat::zeros(prediction.size(), CV_32FC3);
  count = cv::Mat::zeros(prediction.size(), CV_32FC1);
  for (const SurveyFrame& frame : frames) {
    const cv::Mat value = equalised(frame);
    const cv::Mat frame_lab = to_lab(value, 65535.0);
    for (int y = 0; y < mean.rows; ++y) {
      for (int x = 0; x < mean.cols; ++x) {
        const auto& pixel = frame_lab.ptr<cv::Vec3f>(y)[x];
        // Plain distance: a shadow is not the backdrop's own value.
        if (cv::norm(pixel - lab.ptr<cv::Vec3f>(y)[x]) < tolerance) {
          mean.ptr<cv::Vec3f>(y)[x] += value.ptr<cv::Vec3f>(y)[x];
          count.ptr<float>(y)[x] += 1.0F;
        }
      }
    }
  }
  for (int y = 0; y < mean.rows; ++y) {
    for (int x = 0; x < mean.cols; ++x) {
      const float n = count.ptr<float>(y)[x];
      if (n > 0) mean.ptr<cv::Vec3f>(y)[x] *= 1.0F / n;
    }
  }
}

Terms terms_at(double x, double y) {
  Terms terms;
  terms << 1, x, y, x * x, x * y, y * y, x * x * x, x * x * y, x * y * y, y * y * y;
  return terms;
}

// Least-squares cubic surface through `known`, robust by Tukey's weights (biweight, F. Mosteller
// and J. W. Tukey, "Data analysis and regression", 1977); empty where too little is known.
cv::Mat cubic_surface(const cv::Mat& value, const cv::Mat& known) {
  const int step = std::max(1, std::max(value.cols, value.rows) / 120);
  std::vector<cv::Point> points;
  for (int y = step / 2; y < value.rows; y += step) {
    for (int x = step / 2; x < value.cols; x += step) {
      if (known.at<std::uint8_t>(y, x) != 0) points.emplace_back(x, y);
    }
  }
  if (points.size() < 20U * kTerms) return {};
  const double scale = 2.0 / std::max(value.cols, value.rows);
  const auto terms_of = [&](int x, int y) {
    return terms_at(scale * x - 0.5 * scale * value.cols, scale * y - 0.5 * scale * value.rows);
  };
  cv::Mat surface(value.size(), CV_32FC3);
  std::array<Terms, 3> solution;
  for (int c = 0; c < 3; ++c) {
    std::vector<double> weights(points.size(), 1.0);
    Terms& found = solution[static_cast<std::size_t>(c)];
    for (int round = 0; round < kRounds; ++round) {
      Eigen::Matrix<double, kTerms, kTerms> normal = 1e-9 * decltype(normal)::Identity();
      Terms right = Terms::Zero();
      for (std::size_t k = 0; k < points.size(); ++k) {
        const Terms t = terms_of(points[k].x, points[k].y);
        normal += weights[k] * t * t.transpose();
        right += weights[k] * t * static_cast<double>(value.at<cv::Vec3f>(points[k])[c]);
      }
      found = normal.ldlt().solve(right);
      std::vector<double> misses(points.size());
      for (std::size_t k = 0; k < points.size(); ++k) {
        misses[k] = std::abs(terms_of(points[k].x, points[k].y).dot(found) -
                             static_cast<double>(value.at<cv::Vec3f>(points[k])[c]));
      }
      std::vector<double> sorted = misses;
      const double reach = 4.685 * 1.4826 * median_of(sorted) + 1.0;
      for (std::size_t k = 0; k < points.size(); ++k) {
        const double u = misses[k] / reach;
        weights[k] = u < 1 ? (1 - u * u) * (1 - u * u) : 0.0;
      }
    }
  }
  for (int y = 0; y < value.rows; ++y) {
    auto* row = surface.ptr<cv::Vec3f>(y);
    for (int x = 0; x < value.cols; ++x) {
      const Terms t = terms_of(x, y);
      for (int c = 0; c < 3; ++c) {
        row[x][c] = static_cast<float>(t.dot(solution[static_cast<std::size_t>(c)]));
      }
    }
  }
  return surface;
}

// How far a continuation over `known` errs: squares of the size of the gap are taken out of it one
// lattice at a time, continued over, and compared with what is known there; rank kErrRank of the
// distances in L*a*b*.
float continuation_error(const cv::Mat& value, const cv::Mat& known) {
  const int gap = std::max(4, static_cast<int>(kGapShare * std::max(value.cols, value.rows)));
  cv::Mat kept = known.clone();
  for (int y = gap / 2; y < known.rows; y += 3 * gap) {
    for (int x = gap / 2; x < known.cols; x += 3 * gap) {
      kept(cv::Rect(x, y, gap, gap) & cv::Rect({0, 0}, known.size())).setTo(0);
    }
  }
  const cv::Mat tested = known & ~kept;
  cv::Mat smooth;
  cv::blur(value, smooth, {5, 5});  // the noise of single pixels is no error of the continuation
  const cv::Mat truth = to_lab(smooth, 65535.0);
  const cv::Mat guess = to_lab(continue_smoothly(value, kept), 65535.0);
  std::vector<float> errors;
  for (int y = 0; y < known.rows; ++y) {
    for (int x = 0; x < known.cols; ++x) {
      if (tested.at<std::uint8_t>(y, x) == 0) continue;
      errors.push_back(
          static_cast<float>(cv::norm(truth.at<cv::Vec3f>(y, x) - guess.at<cv::Vec3f>(y, x))));
    }
  }
  if (errors.size() < 200) return kAgree;
  const auto rank = static_cast<std::ptrdiff_t>(kErrorRank * static_cast<double>(errors.size()));
  std::nth_element(errors.begin(), errors.begin() + rank, errors.end());
  return errors[static_cast<std::size_t>(rank)];
}

}  // namespace

void equalise_exposure(std::vector<SurveyFrame>& frames) {
  const cv::Size size = frames.front().mean.size();
  const int band = std::max(1, static_cast<int>(kEdgeShare * std::min(size.width, size.height)));
  std::vector<float> values(frames.size());
  std::vector<std::array<std::vector<float>, 3>> ratios(frames.size());
  std::size_t looked_at = 0;
  for (int y = 0; y < size.height; ++y) {
    for (int x = 0; x < size.width; ++x) {
      const bool edge = x < band || y < band || x >= size.width - band || y >= size.height - band;
      if (!edge) continue;
      ++looked_at;
      for (std::size_t c = 0; c < 3; ++c) {
        for (std::size_t k = 0; k < frames.size(); ++k) {
          values[k] = frames[k].mean.ptr<Pixel16>(y)[x][static_cast<int>(c)];
        }
        std::vector<float> sorted = values;
        const float middle = median_of(sorted);
        if (middle < kMeasurable * 65535.0) continue;
        for (std::size_t k = 0; k < frames.size(); ++k) {
          ratios[k][c].push_back(values[k] / middle);
        }
      }
    }
  }
  for (std::size_t k = 0; k < frames.size(); ++k) {
    for (std::size_t c = 0; c < 3; ++c) {
      // A pin that enters from the edge must not speak for a backdrop too dark to.
      if (static_cast<double>(ratios[k][c].size()) <
          std::max(50.0, kEdgeMeasurable * static_cast<double>(looked_at))) {
        continue;
      }
      frames[k].gain[c] = 1.0F / std::clamp(median_of(ratios[k][c]), 0.25F, 4.0F);
    }
  }
}

cv::Mat fill_smoothly(const cv::Mat& value, const cv::Mat& known) {
  std::vector<cv::Mat> sums;
  std::vector<cv::Mat> weights;
  cv::Mat weight;
  known.convertTo(weight, CV_32F, 1.0 / 255.0);
  cv::Mat weight3;
  cv::merge(std::vector<cv::Mat>{weight, weight, weight}, weight3);
  sums.push_back(value.mul(weight3));
  weights.push_back(weight);
  while (std::max(sums.back().cols, sums.back().rows) > 2) {
    const cv::Size half((sums.back().cols + 1) / 2, (sums.back().rows + 1) / 2);
    cv::Mat sum;
    cv::Mat w;
    cv::resize(sums.back(), sum, half, 0, 0, cv::INTER_AREA);
    cv::resize(weights.back(), w, half, 0, 0, cv::INTER_AREA);
    // Saturating weights let near pixels outvote many far ones.
    for (int y = 0; y < half.height; ++y) {
      for (int x = 0; x < half.width; ++x) {
        float& at = w.ptr<float>(y)[x];
        const float scaled = std::min(1.0F, 4.0F * at);
        if (at > 0) sum.ptr<cv::Vec3f>(y)[x] *= scaled / at;
        at = scaled;
      }
    }
    sums.push_back(sum);
    weights.push_back(w);
  }
  cv::Mat filled;
  for (std::size_t level = sums.size(); level-- > 0;) {
    cv::Mat here(sums[level].size(), CV_32FC3, cv::Scalar::all(0));
    cv::Mat coarse;
    if (!filled.empty()) cv::resize(filled, coarse, here.size(), 0, 0, cv::INTER_LINEAR);
    for (int y = 0; y < here.rows; ++y) {
      for (int x = 0; x < here.cols; ++x) {
        const float w = weights[level].ptr<float>(y)[x];
        cv::Vec3f at = sums[level].ptr<cv::Vec3f>(y)[x];
        if (!coarse.empty()) {
          at += (1.0F - w) * coarse.ptr<cv::Vec3f>(y)[x];
        } else if (w > 0) {
          at *= 1.0F / w;
        }
        here.ptr<cv::Vec3f>(y)[x] = at;
      }
    }
    filled = here;
  }
  return filled;
}

cv::Mat continue_smoothly(const cv::Mat& value, const cv::Mat& known) {
  const cv::Mat surface = cubic_surface(value, known);
  if (surface.empty()) return fill_smoothly(value, known);
  return surface + fill_smoothly(value - surface, known);
}

namespace {

// Median contrast of the noise of one block over the frame.
float block_noise(const cv::Mat& value, const BlockNoise& noise) {
  const cv::Mat sigma = contrast_noise(value, 65535.0, noise.at_zero, noise.per_level);
  std::vector<float> sigmas(sigma.begin<float>(), sigma.end<float>());
  return median_of(sigmas);
}

// Where the stations scatter about their median no more than the noise and the lamps do.
cv::Mat within_noise(const cv::Mat& median, const cv::Mat& spread, const BlockNoise& noise) {
  cv::Mat still(median.size(), CV_8U);
  for (int y = 0; y < still.rows; ++y) {
    for (int x = 0; x < still.cols; ++x) {
      const cv::Vec3f& value = median.ptr<cv::Vec3f>(y)[x];
      const double level = std::max({value[0], value[1], value[2]});
      const double sigma =
          std::sqrt(noise.at_zero + noise.per_level * level + kFlicker * kFlicker * level * level);
      still.at<std::uint8_t>(y, x) = spread.at<float>(y, x) <= kStillSigmas * sigma ? 255 : 0;
    }
  }
  return still;
}

// Averages over a neighbourhood what differs by no more than the noise (the sigma filter of
// J.-S. Lee, "Digital image smoothing and the sigma filter", CVGIP 24(2), 1983): the backdrop's own
// structure stays.
cv::Mat without_noise(const cv::Mat& value, const BlockNoise& noise) {
  const cv::Scalar mean = cv::mean(value);
  const double level = (mean[0] + mean[1] + mean[2]) / 3.0;
  const double sigma = std::sqrt(3.0 * (noise.at_zero + noise.per_level * level));
  cv::Mat smooth;
  cv::bilateralFilter(value, smooth, kSmoothPx, kAgreeSigmas * sigma, kSmoothPx);
  return smooth;
}

}  // namespace

StackBackdrop estimate_backdrop(const std::vector<SurveyFrame>& frames, const BlockNoise& noise,
                                const cv::Mat& spotted) {
  cv::Mat spread;
  cv::Mat value = median_of_stack(frames, spread);
  const cv::Mat still = joined_to_edge(within_noise(value, spread, noise));
  // The rim of the still region is where the specimen passes now and then; do not continue from it.
  const int rim = std::max(1, static_cast<int>(kRimShare * std::max(still.cols, still.rows)));
  const cv::Mat element = cv::getStructuringElement(cv::MORPH_ELLIPSE, {2 * rim + 1, 2 * rim + 1});
  const auto core_of = [&](const cv::Mat& region) {
    cv::Mat core;
    cv::erode(region, core, element, cv::Point(-1, -1), 1, cv::BORDER_CONSTANT, cv::Scalar(255));
    return core;
  };
  const auto stations = static_cast<float>(frames.size());
  const float needed = std::max(1.0F, std::min(2.0F, std::floor(stations / 4.0F)));
  // A station agrees where it is as near to the continuation as noise and the continuation's own
  // error allow: before a smooth backdrop that tells it from a dark part of the specimen.
  const cv::Mat core = core_of(still) & ~spotted;
  const float sigma = block_noise(value, noise);
  const float tolerance =
      std::clamp(kAgreeSigmas * sigma + 2.0F * continuation_error(value, core), kJust, kAgree);
  cv::Mat seen = still;
  cv::Mat sure = core;
  cv::Mat count;
  // Two rounds and no more: with each the continuation could creep further up the specimen.
  for (int round = 0; round < 2; ++round) {
    const cv::Mat prediction = continue_smoothly(value, sure);
    cv::Mat mean;
    agreeing_mean(frames, prediction, tolerance, mean, count);
    mean.copyTo(value, (count >= needed) & ~core & ~spotted);
    seen = still | (count >= needed);
    sure = core | ((count >= kSureShare * stations) & ~spotted);
  }
  // Where few stations have looked past the specimen, what they saw and the continuation from where
  // many have are weighted alike with it.
  const cv::Mat prediction = continue_smoothly(value, sure);
  for (int y = 0; y < value.rows; ++y) {
    for (int x = 0; x < value.cols; ++x) {
      if (sure.at<std::uint8_t>(y, x) != 0) continue;
      const float n = seen.at<std::uint8_t>(y, x) != 0 && spotted.at<std::uint8_t>(y, x) == 0
                          ? count.at<float>(y, x)
                          : 0.0F;
      const float share = n / (n + 0.5F * kSureShare * stations);
      auto& at = value.at<cv::Vec3f>(y, x);
      at = share * at + (1.0F - share) * prediction.at<cv::Vec3f>(y, x);
    }
  }
  value = without_noise(value, noise);
  return {value, seen};
}

std::vector<cv::Mat> frame_contrasts(const std::vector<SurveyFrame>& frames,
                                     const cv::Mat& backdrop, bool single_pixels) {
  const cv::Mat backdrop_lab = to_lab(backdrop, 65535.0);
  std::vector<cv::Mat> contrasts;
  contrasts.reserve(frames.size());
  for (const SurveyFrame& frame : frames) {
    cv::Mat value = equalised(frame);
    // Blocks of one pixel are averaged as the mask stage averages pixels.
    if (single_pixels) cv::blur(value, value, {3, 3});
    contrasts.push_back(contrast(to_lab(value, 65535.0), backdrop_lab));
  }
  return contrasts;
}

namespace {

// The largest component of a frame's contrast above `low`.
cv::Mat largest_part(const cv::Mat& map, double low) {
  cv::Mat labels;
  cv::Mat stats;
  cv::Mat centroids;
  const int count =
      cv::connectedComponentsWithStats(map > low, labels, stats, centroids, 8, CV_32S);
  int best = 0;
  for (int k = 1; k < count; ++k) {
    if (best == 0 || stats.at<int>(k, cv::CC_STAT_AREA) > stats.at<int>(best, cv::CC_STAT_AREA)) {
      best = k;
    }
  }
  return best == 0 ? cv::Mat(cv::Mat::zeros(map.size(), CV_8U)) : cv::Mat(labels == best);
}

void append(const cv::Mat& map, const cv::Mat& where, std::vector<float>& values) {
  for (int y = 0; y < map.rows; ++y) {
    for (int x = 0; x < map.cols; ++x) {
      if (where.at<std::uint8_t>(y, x) != 0) values.push_back(map.at<float>(y, x));
    }
  }
}

}  // namespace

Separation separate(const std::vector<cv::Mat>& contrasts, double noise) {
  Separation result;
  result.noise = noise;
  double low = std::max(5.0, 6.0 * noise);
  // The specimen's median contrast sets the thresholds, and they decide what counts as specimen:
  // twice round settles it.
  for (int round = 0; round < 2; ++round) {
    std::vector<float> values;
    for (const cv::Mat& map : contrasts) append(map, largest_part(map, low), values);
    if (values.empty()) break;
    result.specimen = median_of(values);
    low = std::max({kLeastContrast, kNoiseSigmas * noise, kGreatestShare * result.specimen});
  }
  // What else moves in front of the backdrop, shadows and spill and shifting cloth, must stay below
  // the low threshold; where nothing does, the threshold can go down towards the noise and dark
  // parts of the specimen are kept.
  std::vector<float> rest;
  for (const cv::Mat& map : contrasts) {
    cv::Mat near = largest_part(map, low);
    const int reach = std::max(2, std::max(near.cols, near.rows) / 40);
    cv::dilate(near, near,
               cv::getStructuringElement(cv::MORPH_ELLIPSE, {2 * reach + 1, 2 * reach + 1}));
    append(map, ~near, rest);
  }
  double disturbance = low;
  if (rest.size() > 1000) {
    const auto rank = static_cast<std::ptrdiff_t>(kRestShare * static_cast<double>(rest.size()));
    std::nth_element(rest.begin(), rest.begin() + rank, rest.end());
    disturbance = rest[static_cast<std::size_t>(rank)];
  }
  result.low = std::min(low, std::max({kLeastContrast, kNoiseSigmas * noise / kPixelsAveraged,
                                       kRestMargin * disturbance}));
  result.high = std::max(8.0 * noise, 0.4 * result.specimen);
  return result;
}

namespace {

// Mount that enters from the bottom of `occupied`.
cv::Mat mount_from_bottom(const cv::Mat& occupied) {
  cv::Mat mount = cv::Mat::zeros(occupied.size(), CV_8U);
  for (int y = occupied.rows - 1; y >= 0; --y) {
    const auto* row = occupied.ptr<std::uint8_t>(y);
    int always = 0;
    int ever = 0;
    for (int x = 0; x < occupied.cols; ++x) {
      always += row[x] >= kAlways ? 1 : 0;
      ever += row[x] >= kEver ? 1 : 0;
    }
    const bool narrow = ever <= kMountWidth * occupied.cols;
    if (always == 0 || !narrow || ever > kMountSway * always + kMountSlackPx) break;
    auto* out = mount.ptr<std::uint8_t>(y);
    for (int x = 0; x < occupied.cols; ++x) out[x] = row[x] > 0 ? 255 : 0;
  }
  return mount;
}

}  // namespace

cv::Mat find_mount(const cv::Mat& occupied) {
  cv::Mat mount = mount_from_bottom(occupied);
  cv::Mat turned = occupied;
  for (int quarter = 1; quarter < 4; ++quarter) {
    cv::rotate(turned, turned, cv::ROTATE_90_CLOCKWISE);
    cv::Mat found = mount_from_bottom(turned);
    for (int back = 0; back < quarter; ++back) {
      cv::rotate(found, found, cv::ROTATE_90_COUNTERCLOCKWISE);
    }
    mount |= found;
  }
  return mount;
}

}  // namespace trunnion
