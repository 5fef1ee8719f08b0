#include "stages/survey_search.h"

#include <tbb/parallel_for.h>
#include <tbb/parallel_pipeline.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <functional>
#include <opencv2/imgproc.hpp>

#include "core/box_mean.h"
#include "core/median.h"
#include "core/vector_code.h"
#include "stages/survey_judge.h"
#include "stages/survey_settle.h"
#include "stages/threads.h"

namespace trunnion {
namespace {

constexpr std::array kFinest{3.0, 4.0, 5.3, 7.0};  // diameters, px of the level
constexpr std::array kCoarser{4.7, 6.2, 8.2};      // each twice as large a level up
constexpr int kScatterPx = 60;                     // within which strengths are compared
constexpr std::size_t kEnough = 200;               // pixels to tell a scatter from
constexpr std::size_t kJudgedAtOnce = 64;          // whatever the number of threads

// The gradients times their weights, which all diameters are compared with.
struct WeightedGradient {
  cv::Mat x;
  cv::Mat y;
};

TRUNNION_VECTOR_CODE [[gnu::noinline]] void tell_strength(
    const float* __restrict product, std::size_t count, float* __restrict information_to_strength) {
  for (std::size_t x = 0; x < count; ++x) {
    const float found = information_to_strength[x];
    const float information = found > 1e-6F ? found : 1e-6F;
    information_to_strength[x] = std::abs(product[x]) / std::sqrt(information);
  }
}

// Strength of a round speck at every pixel of some rows, CV_32FC1, without sign.
void match_rows(const StaticGradient& field, const WeightedGradient& weighted, double diameter,
                const cv::Range& rows, cv::Mat strength) {
  const Speck shape{{0, 0}, diameter, 0, 0, 0.4, 0, 0, 1};
  // Gradients reach as far as the rim does: half of the diameter and a softness of 0.4 more.
  const int reach = static_cast<int>(std::ceil(0.7 * diameter));
  const int half = static_cast<int>(std::lround(0.5 * diameter));
  const cv::Range seen(std::max(0, rows.start - half), std::min(field.x.rows, rows.end + half));
  cv::Mat product;
  cv::Mat part;
  cv::Mat means;
  for (const bool down : {false, true}) {
    const cv::Mat kernel = gradient_of(shape, reach, down);
    // OpenCV looks beyond the rows of a part itself, the means don't.
    cv::filter2D((down ? weighted.y : weighted.x).rowRange(rows), down ? part : product, CV_32F,
                 -kernel, cv::Point(-1, -1), 0, cv::BORDER_CONSTANT);
    if (down) product += part;
    // Weights vary little over a speck; what passes here is weighed exactly later.
    box_mean((down ? field.weight_y : field.weight_x).rowRange(seen), means, 2 * half + 1,
             cv::BORDER_CONSTANT);
    const cv::Mat here = means.rowRange(rows.start - seen.start, rows.end - seen.start);
    const double norm = cv::norm(kernel, cv::NORM_L2SQR);
    if (down) {
      cv::scaleAdd(here, norm, strength, strength);
    } else {
      here.convertTo(strength, CV_32F, norm);
    }
  }
  for (int y = 0; y < product.rows; ++y) {
    tell_strength(product.ptr<float>(y), static_cast<std::size_t>(product.cols),
                  strength.ptr<float>(y));
  }
}

// Strip by strip: what lies between is needed no longer than that.
cv::Mat match(const StaticGradient& field, const WeightedGradient& weighted, double diameter) {
  constexpr int kStrip = 512;
  cv::Mat strength(field.x.size(), CV_32FC1);
  for (int first = 0; first < strength.rows; first += kStrip) {
    const cv::Range rows(first, std::min(first + kStrip, strength.rows));
    match_rows(field, weighted, diameter, rows, strength.rowRange(rows));
  }
  return strength;
}

// Sigma of values of which most are zero on the average, from their median size.
float sigma_of(std::vector<float>& sizes) {
  if (sizes.size() < kEnough) return 0;
  return 1.4826F * median_in_place(sizes);
}

// The same within kScatterPx of each pixel.
cv::Mat sigma_around(const cv::Mat& strength) {
  constexpr int kShrink = 3;
  constexpr double kScale = 20;  // keeps sigmas of up to 18 in a byte
  cv::Mat small;
  cv::resize(strength, small,
             {std::max(1, strength.cols / kShrink), std::max(1, strength.rows / kShrink)}, 0, 0,
             cv::INTER_NEAREST);
  cv::Mat median;
  small.convertTo(median, CV_8U, kScale);
  cv::medianBlur(median, median, 2 * (kScatterPx / kShrink / 2) + 1);
  cv::resize(median, median, strength.size(), 0, 0, cv::INTER_LINEAR);
  cv::Mat sigma;
  median.convertTo(sigma, CV_32F, 1.4826 / kScale);
  return sigma;
}

// `share`: of texture around each pixel.
cv::Mat scatter_of(const cv::Mat& strength, const cv::Mat& texture, const cv::Mat& share) {
  std::vector<float> busy;
  std::vector<float> calm;
  for (int y = 0; y < strength.rows; y += 2) {
    for (int x = 0; x < strength.cols; x += 2) {
      (texture.at<float>(y, x) > kTextured ? busy : calm).push_back(strength.at<float>(y, x));
    }
  }
  const float in_texture = sigma_of(busy);
  const float in_noise = sigma_of(calm);
  cv::Mat scatter = sigma_around(strength);
  for (int y = 0; y < scatter.rows; ++y) {
    for (int x = 0; x < scatter.cols; ++x) {
      const float w = std::min(1.0F, share.at<float>(y, x) / kTextured);
      const float variance = w * in_texture * in_texture + (1 - w) * in_noise * in_noise;
      float& at = scatter.at<float>(y, x);
      at = std::max({1.0F, at, std::sqrt(variance)});
    }
  }
  return scatter;
}

std::vector<Level> pyramid_of(std::vector<cv::Mat> logs, LightNoise noise,
                              const std::vector<cv::Point2d>& defects,
                              const SearchOptions& options) {
  std::vector<Level> levels;
  for (double scale = 1; scale == 1 || kCoarser[0] * scale <= options.greatest_diameter;
       scale *= 2) {
    if (std::min(logs.front().cols, logs.front().rows) < 16) break;
    if (scale > 1) {
      for (cv::Mat& log : logs) {
        cv::Mat half;
        cv::resize(log(cv::Rect(0, 0, log.cols / 2 * 2, log.rows / 2 * 2)), half,
                   {log.cols / 2, log.rows / 2}, 0, 0, cv::INTER_AREA);
        log = half;
      }
      noise.at_zero /= 4;
      noise.per_level /= 4;
    }
    Level level;
    level.scale = scale;
    level.field = static_gradient(logs, noise);
    leave_out(level.field, defects, {}, scale);
    if (scale == 1) {
      level.diameters.assign(kFinest.begin(), kFinest.end());
    } else {
      level.diameters.assign(kCoarser.begin(), kCoarser.end());
    }
    levels.push_back(level);
  }
  return levels;
}

// Of what lies within some 4 px, from means of 4 x 4.
cv::Mat share_of_texture(const cv::Mat& texture) {
  constexpr int kShrink = 4;
  cv::Mat share;
  cv::resize(texture, share,
             {std::max(1, texture.cols / kShrink), std::max(1, texture.rows / kShrink)}, 0, 0,
             cv::INTER_AREA);
  cv::GaussianBlur(share, share, {0, 0}, 1.0);
  cv::resize(share, share, texture.size(), 0, 0, cv::INTER_LINEAR);
  return share;
}

// What the shape of one diameter finds at every pixel.
struct Response {
  double diameter = 0;
  cv::Mat strength;  // without sign, in units of its scatter
  cv::Mat scatter;
};

// Several diameters at once, taken in their order.
void respond(const Level& level, const std::function<void(const Response&)>& take) {
  using tbb::filter_mode;
  std::size_t next = 0;
  const auto begin = [&](tbb::flow_control& control) {
    if (next < level.diameters.size()) return level.diameters[next++];
    control.stop();
    return 0.0;
  };
  const cv::Mat share = share_of_texture(level.field.texture);
  const WeightedGradient weighted{level.field.weight_x.mul(level.field.x),
                                  level.field.weight_y.mul(level.field.y)};
  const auto look = [&](double diameter) {
    cv::Mat strength = match(level.field, weighted, diameter);
    const cv::Mat scatter = scatter_of(strength, level.field.texture, share);
    strength /= scatter;
    return Response{diameter, strength, scatter};
  };
  tbb::parallel_pipeline(threads_at_once(),
                         tbb::make_filter<void, double>(filter_mode::serial_in_order, begin) &
                             tbb::make_filter<double, Response>(filter_mode::parallel, look) &
                             tbb::make_filter<Response, void>(filter_mode::serial_in_order, take));
}

// Rows of what responds most, and by which diameter.
struct Best {
  float* __restrict strength;
  float* __restrict scatter;
  float* __restrict diameter;
};

TRUNNION_VECTOR_CODE [[gnu::noinline]] void keep_stronger(const float* __restrict strength,
                                                          const float* __restrict scatter,
                                                          float diameter, std::size_t count,
                                                          const Best& best) {
  for (std::size_t x = 0; x < count; ++x) {
    const bool more = strength[x] > best.strength[x];
    best.strength[x] = more ? strength[x] : best.strength[x];
    best.scatter[x] = more ? scatter[x] : best.scatter[x];
    best.diameter[x] = more ? diameter : best.diameter[x];
  }
}

std::vector<Candidate> candidates_of(const std::vector<Level>& levels, std::size_t index,
                                     const SpeckJudge& judge) {
  std::vector<Candidate> candidates;
  const Level& level = levels[index];
  const cv::Size size = level.field.x.size();
  cv::Mat best = cv::Mat::zeros(size, CV_32FC1);
  cv::Mat diameter = best.clone();
  cv::Mat spread(size, CV_32FC1, cv::Scalar(1));
  const auto take = [&](const Response& response) {
    for (int y = 0; y < size.height; ++y) {
      keep_stronger(response.strength.ptr<float>(y), response.scatter.ptr<float>(y),
                    static_cast<float>(response.diameter), static_cast<std::size_t>(size.width),
                    {best.ptr<float>(y), spread.ptr<float>(y), diameter.ptr<float>(y)});
    }
  };
  respond(level, take);
  cv::Mat around;
  cv::dilate(best, around, cv::Mat::ones(5, 5, CV_8U));
  const std::array least{static_cast<float>(judge.glance(1, 0)),
                         static_cast<float>(judge.glance(1, 1))};
  for (int y = 0; y < size.height; ++y) {
    for (int x = 0; x < size.width; ++x) {
      const bool busy = level.field.texture.at<float>(y, x) >= kTextured;
      const float strength = best.at<float>(y, x);
      if (strength < least.at(busy ? 1 : 0) || strength < around.at<float>(y, x)) continue;
      Candidate candidate;
      candidate.level = index;
      candidate.texture = std::min(1.0F, level.field.texture.at<float>(y, x) / kTextured);
      candidate.speck.centre = cv::Point(x, y);
      candidate.speck.diameter = diameter.at<float>(y, x);
      candidate.speck.strength = strength;
      candidate.speck.scatter = spread.at<float>(y, x);
      candidates.push_back(candidate);
    }
  }
  return candidates;
}

// Whether what was taken out since may lie where judging the candidate looked: its fit grows up to
// twice the candidate's size, and what surrounds it is looked at as far as it is wide again.
bool touched(const Candidate& candidate, double scale, const std::vector<Speck>& taken) {
  const cv::Point2d centre = at_finest(candidate.speck, scale).centre;
  const double looked_at = scale * (4 * candidate.speck.diameter + 12);
  return std::any_of(taken.begin(), taken.end(), [&](const Speck& speck) {
    return cv::norm(speck.centre - centre) < looked_at + reach_of(speck) + 2;
  });
}

}  // namespace

SearchResult find_specks(const std::vector<cv::Mat>& logs, const LightNoise& noise,
                         const std::vector<cv::Point2d>& defects, const SearchOptions& options) {
  std::vector<Level> levels = pyramid_of(logs, noise, defects, options);
  const SpeckJudge judge(logs, noise, options);
  std::vector<std::vector<Candidate>> by_level(levels.size());
  tbb::parallel_for(std::size_t{0}, levels.size(),
                    [&](std::size_t k) { by_level[k] = candidates_of(levels, k, judge); });
  std::vector<Candidate> candidates;
  for (const std::vector<Candidate>& some : by_level) {
    candidates.insert(candidates.end(), some.begin(), some.end());
  }
  std::stable_sort(candidates.begin(), candidates.end(), [](const auto& a, const auto& b) {
    return a.speck.strength > b.speck.strength;
  });
  SearchResult result;
  std::vector<SpeckJudgement> judged;
  std::vector<Speck> taken;
  for (std::size_t first = 0; first < candidates.size(); first += kJudgedAtOnce) {
    const std::size_t count = std::min(kJudgedAtOnce, candidates.size() - first);
    judged.assign(count, {});
    tbb::parallel_for(std::size_t{0}, count, [&](std::size_t k) {
      judged[k] = judge.judge(levels, candidates[first + k]);
    });
    taken.clear();
    for (std::size_t k = 0; k < count; ++k) {
      const Candidate& candidate = candidates[first + k];
      SpeckJudgement& here = judged[k];
      if (touched(candidate, levels[candidate.level].scale, taken)) {
        here = judge.judge(levels, candidate);
      }
      if (here.verdict == SpeckVerdict::doubtful || here.verdict == SpeckVerdict::likely) {
        ++result.doubtful;
      }
      if (here.verdict < SpeckVerdict::likely) continue;
      result.specks.push_back({here.speck, {}});
      for (Level& other : levels) take_out(other.field, here.speck, other.scale);
      taken.push_back(here.speck);
    }
  }
  const double longest = kLongest * options.greatest_diameter;
  tbb::parallel_for(std::size_t{0}, result.specks.size(), [&](std::size_t k) {
    FoundSpeck& found = result.specks[k];
    const SettledSpeck settled = settle(logs, noise, defects, found.speck, longest);
    found = {settled.speck, settled.transmission};
  });
  // What another speck nearby had left over does not outlast its settling.
  std::erase_if(result.specks, [&](const FoundSpeck& found) {
    return std::abs(found.speck.depth) < 0.5 * options.least_depth;
  });
  return result;
}

}  // namespace trunnion
