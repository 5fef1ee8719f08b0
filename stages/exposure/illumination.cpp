#include "stages/exposure/illumination.h"

#include <fmt/format.h>

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <opencv2/imgproc.hpp>
#include <utility>
#include <vector>

#include "core/files.h"
#include "core/median.h"

namespace trunnion::exposure {
namespace {

constexpr int kDegree = 4;
constexpr int kSamplesAcross = 192;    // of the longer side
constexpr double kClipped = 0.99;      // values
constexpr double kDark = 0.02;         // values; darker ones are mostly the sensor's offset
constexpr double kMostUnusable = 0.1;  // share of the frame
constexpr double kMostResidual = 0.02;
constexpr double kMostOutliers = 0.25;
constexpr double kLeastLight = 1.0 / 3.0;
constexpr double kBiweight = 4.685;   // 95 % efficient for normal noise
constexpr double kLeastSigma = 1e-3;  // finer unevenness does not matter
constexpr const char* kRemedy =
    "give an evenly lit, evenly grey image as [exposure] grey_card, or set exposure.vignetting = "
    "false";

using Terms = Eigen::Matrix<double, kTerms, 1>;

// In half diagonals from the centre.
Terms powers(double x, double y) {
  Terms result;
  Eigen::Index k = 0;
  double xi = 1.0;
  for (int i = 0; i <= kDegree; ++i, xi *= x) {
    double value = xi;
    for (int j = 0; i + j <= kDegree; ++j, value *= y) result[k++] = value;
  }
  return result;
}

struct Sample {
  Terms at;
  double logarithm = 0;
};

struct Samples {
  std::vector<Sample> usable;
  std::size_t dark = 0;
  std::size_t clipped = 0;
};

std::pair<double, double> position(int i, int j, cv::Size grid, cv::Size size) {
  const double half = std::hypot(size.width, size.height) / 2.0;
  return {((i + 0.5) / grid.width - 0.5) * size.width / half,
          ((j + 0.5) / grid.height - 0.5) * size.height / half};
}

Samples samples_of(const cv::Mat& image, const ToneCurve& curve) {
  const double shrink = std::min(1.0, static_cast<double>(kSamplesAcross) /
                                          static_cast<double>(std::max(image.cols, image.rows)));
  const cv::Size grid(std::max(1, static_cast<int>(image.cols * shrink)),
                      std::max(1, static_cast<int>(image.rows * shrink)));
  cv::Mat values;
  cv::resize(image, values, grid, 0, 0, cv::INTER_AREA);
  values.convertTo(values, CV_64F, 1.0 / (image.depth() == CV_16U ? 65535.0 : 255.0));
  const int channels = image.channels();
  const int colours = channels == 1 ? 1 : 3;
  Samples samples;
  for (int j = 0; j < grid.height; ++j) {
    const auto* row = values.ptr<double>(j);
    for (int i = 0; i < grid.width; ++i) {
      const double* pixel = row + static_cast<std::ptrdiff_t>(i) * channels;
      const auto [least, most] = std::minmax_element(pixel, pixel + colours);
      samples.dark += *most < kDark ? 1U : 0U;
      samples.clipped += *most > kClipped ? 1U : 0U;
      double light = 0;
      for (int c = 0; c < colours; ++c) light += curve.light(pixel[c]);
      if (*most < kDark || *most > kClipped || light <= 0.0) continue;
      const auto [x, y] = position(i, j, grid, image.size());
      samples.usable.push_back({powers(x, y), std::log(light / colours)});
    }
  }
  return samples;
}

struct Fit {
  Terms terms = Terms::Zero();
  double sigma = 0;
  double outliers = 0;  // share
};

Terms weighted(const std::vector<Sample>& samples, const std::vector<double>& weights) {
  Eigen::Matrix<double, kTerms, kTerms> normal = Eigen::Matrix<double, kTerms, kTerms>::Zero();
  Terms right = Terms::Zero();
  for (std::size_t k = 0; k < samples.size(); ++k) {
    normal.noalias() += weights[k] * samples[k].at * samples[k].at.transpose();
    right += weights[k] * samples[k].logarithm * samples[k].at;
  }
  return normal.ldlt().solve(right);
}

Fit fit(const std::vector<Sample>& samples) {
  constexpr int kAbsoluteRounds =
      15;  // least absolute residuals first: a start that outliers spare
  constexpr int kRounds = 30;
  std::vector<double> weights(samples.size(), 1.0);
  Fit result;
  std::vector<double> residuals(samples.size());
  for (int round = 0; round < kRounds; ++round) {
    result.terms = weighted(samples, weights);
    for (std::size_t k = 0; k < samples.size(); ++k) {
      residuals[k] = std::abs(samples[k].logarithm - samples[k].at.dot(result.terms));
    }
    result.sigma = std::max(kLeastSigma, 1.4826 * median_of(residuals));
    std::size_t out = 0;
    for (std::size_t k = 0; k < samples.size(); ++k) {
      const double share = residuals[k] / (kBiweight * result.sigma);
      out += share >= 1.0 ? 1U : 0U;
      weights[k] = round < kAbsoluteRounds ? 1.0 / std::max(residuals[k], kLeastSigma)
                   : share < 1.0           ? (1.0 - share * share) * (1.0 - share * share)
                                           : 0.0;
    }
    result.outliers = static_cast<double>(out) / static_cast<double>(samples.size());
  }
  return result;
}

}  // namespace

bool Illumination::even() const {
  return std::all_of(terms.begin(), terms.end(), [](double c) { return c == 0.0; });
}

void Illumination::logarithms(int y, cv::Size size, std::vector<double>& row) const {
  const double half = std::hypot(size.width, size.height) / 2.0;
  const double down = (y - (size.height - 1) / 2.0) / half;
  std::array<double, kDegree + 1> of_x{};  // the polynomial in x of this row
  std::size_t k = 0;
  for (std::size_t i = 0; i < of_x.size(); ++i) {
    double power = 1.0;
    for (std::size_t j = 0; i + j < of_x.size(); ++j, power *= down) {
      of_x.at(i) += terms.at(k++) * power;
    }
  }
  row.resize(static_cast<std::size_t>(size.width));
  for (int x = 0; x < size.width; ++x) {
    const double across = (x - (size.width - 1) / 2.0) / half;
    double sum = 0.0;
    for (auto term = of_x.rbegin(); term != of_x.rend(); ++term) sum = sum * across + *term;
    row[static_cast<std::size_t>(x)] = sum;
  }
}

Illumination Illumination::inverse() const {
  Illumination result;
  std::transform(terms.begin(), terms.end(), result.terms.begin(), [](double c) { return -c; });
  return result;
}

std::string Illumination::text() const {
  std::string text;
  std::size_t k = 0;
  for (int i = 0; i <= kDegree; ++i) {
    for (int j = 0; i + j <= kDegree; ++j) {
      const double c = terms.at(k++);
      if (c == 0.0) continue;
      text += text.empty() ? (c < 0 ? "-" : "") : (c < 0 ? " - " : " + ");
      text += fmt::format("{:.6f}", std::abs(c));
      if (i > 0) text += i == 1 ? " x" : fmt::format(" x^{}", i);
      if (j > 0) text += j == 1 ? " y" : fmt::format(" y^{}", j);
    }
  }
  return text.empty() ? "0" : text;
}

Illumination illumination_of(const cv::Mat& image, const ToneCurve& curve,
                             const std::string& name) {
  const Samples samples = samples_of(image, curve);
  const auto all = static_cast<double>(samples.usable.size() + samples.dark + samples.clipped);
  for (const auto& [count, what] :
       {std::pair(samples.dark, "too dark"), std::pair(samples.clipped, "clipped")}) {
    if (static_cast<double>(count) > kMostUnusable * all) {
      throw data_error(fmt::format(
          "{}: {:.0f} % of it is {} (at most 10 %), so it does not show how evenly light reaches "
          "the frame; {}.",
          name, 100.0 * static_cast<double>(count) / all, what, kRemedy));
    }
  }
  if (samples.usable.size() < 4 * kTerms) {
    throw data_error(
        fmt::format("{}: {} x {} pixels are too few to show how evenly light reaches "
                    "the frame; {}.",
                    name, image.cols, image.rows, kRemedy));
  }
  const Fit found = fit(samples.usable);
  if (found.sigma > kMostResidual || found.outliers > kMostOutliers) {
    throw data_error(fmt::format(
        "{}: it is not an even surface: beside a smooth fall-off its brightness scatters by {:.1f} "
        "% (at most 2 %), and {:.0f} % of it stands out (at most 25 %); {}.",
        name, 100.0 * found.sigma, 100.0 * found.outliers, kRemedy));
  }
  constexpr int kGrid = 64;
  double least = 1e9;
  double most = -1e9;
  const double half = std::hypot(image.cols, image.rows) / 2.0;
  for (int j = 0; j <= kGrid; ++j) {
    for (int i = 0; i <= kGrid; ++i) {
      const double p = powers((static_cast<double>(i) / kGrid - 0.5) * image.cols / half,
                              (static_cast<double>(j) / kGrid - 0.5) * image.rows / half)
                           .dot(found.terms);
      least = std::min(least, p);
      most = std::max(most, p);
    }
  }
  if (std::exp(least - most) < kLeastLight) {
    throw data_error(fmt::format(
        "{}: its darkest place has {:.0f} % of the light of its brightest (at least 33 %); {}.",
        name, 100.0 * std::exp(least - most), kRemedy));
  }
  Illumination result;
  for (std::size_t k = 0; k < kTerms; ++k) {
    const double term = found.terms[static_cast<Eigen::Index>(k)] - (k == 0 ? most : 0.0);
    result.terms.at(k) = std::round(term * 1e6) / 1e6;
  }
  return result;
}

std::optional<std::filesystem::path> even_image(const std::filesystem::path& workspace,
                                                const std::optional<std::string>& empty_stage,
                                                const ExposureSettings& settings) {
  if (!settings.enabled || !settings.vignetting) return std::nullopt;
  const auto& file = settings.grey_card ? settings.grey_card : empty_stage;
  if (!file) return std::nullopt;
  std::error_code code;
  const fs::path real = fs::weakly_canonical(workspace / *file, code);
  for (const char* results : {"prepared", ".trunnion"}) {
    const std::string folder = fs::weakly_canonical(workspace / results, code).string() + "/";
    if (!real.string().starts_with(folder)) continue;
    throw data_error(fmt::format("{}: lies in {}, where results are written; move it out.",
                                 (workspace / *file).string(), folder));
  }
  return workspace / *file;
}

Illumination read_illumination(const std::optional<std::filesystem::path>& file,
                               const ImageLimits& limits, cv::Size size, ToneCurveChoice choice) {
  if (!file) return {};
  const cv::Mat image = read_image(*file, limits);
  if (image.size() != size) {
    throw data_error(
        fmt::format("{}: is {} x {} pixels, but the set's images are {} x {}; export it as they "
                    "are, or set exposure.vignetting = false.",
                    file->string(), image.cols, image.rows, size.width, size.height));
  }
  return illumination_of(image, curve_of(read_metadata(*file), choice).curve, file->string());
}

const Illumination& SetIllumination::get(const std::function<Illumination()>& find) {
  const std::scoped_lock lock(mutex_);
  if (error_) throw Error(*error_);
  if (!found_) {
    try {
      found_ = find();
    } catch (const Error& error) {
      if (error.kind() == Error::Kind::data) error_ = error;
      throw;
    }
  }
  return *found_;
}

}  // namespace trunnion::exposure
