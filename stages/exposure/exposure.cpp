#include "stages/exposure/exposure.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <limits>
#include <vector>

#include "core/median.h"

namespace trunnion::exposure {
namespace {

constexpr double kDarkest = 0.02;     // of full scale, as measure_view leaves them out
constexpr double kBrightest = 0.98;   // a backdrop above is clipped in part
constexpr double kSixDecimals = 1e6;  // what the note records

int full_scale(const cv::Mat& image) {
  return image.depth() == CV_16U ? 65535 : 255;
}

// Light of every code.
std::vector<double> lights(const ToneCurve& curve, int full) {
  std::vector<double> table(static_cast<std::size_t>(full) + 1);
  for (int code = 0; code <= full; ++code) {
    table[static_cast<std::size_t>(code)] = curve.light(static_cast<double>(code) / full);
  }
  return table;
}

// 1 / e^p along a row; left empty where light is even.
void corrections(const Illumination& illumination, int y, cv::Size size, std::vector<double>& row) {
  if (illumination.even()) return;
  illumination.logarithms(y, size, row);
  for (double& each : row) each = std::exp(-each);
}

template <typename T>
class Scaler {
 public:
  Scaler(const ToneCurve& curve, double factor, int full)
      : curve_(curve), factor_(factor), full_(full), lights_(lights(curve, full)) {}

  T scaled(T code, double correction) const {
    if (code == full_) return code;
    const double value = curve_.value(factor_ * correction * lights_[code]);
    return static_cast<T>(std::min<double>(full_ - 1, std::floor(value * full_ + 0.5)));
  }

 private:
  const ToneCurve& curve_;
  double factor_;
  int full_;
  std::vector<double> lights_;
};

template <typename T>
void scale(cv::Mat& image, const ToneCurve& curve, double factor,
           const Illumination& illumination) {
  const int full = full_scale(image);
  const Scaler<T> scaler(curve, factor, full);
  std::vector<T> evenly;  // of every code, where light is even
  for (int code = 0; code <= full && illumination.even(); ++code) {
    evenly.push_back(scaler.scaled(static_cast<T>(code), 1.0));
  }
  const int channels = image.channels();
  const int colours = channels == 1 ? 1 : 3;
  std::vector<double> row_corrections;
  for (int y = 0; y < image.rows; ++y) {
    corrections(illumination, y, image.size(), row_corrections);
    T* pixel = image.ptr<T>(y);
    for (int x = 0; x < image.cols; ++x, pixel += channels) {
      for (int c = 0; c < colours; ++c) {
        pixel[c] = evenly.empty()
                       ? scaler.scaled(pixel[c], row_corrections[static_cast<std::size_t>(x)])
                       : evenly[pixel[c]];
      }
    }
  }
}

template <typename T>
double brightest(const cv::Mat& image, const ToneCurve& curve, const Illumination& illumination) {
  const int full = full_scale(image);
  const std::vector<double> light = lights(curve, full);
  const int channels = image.channels();
  const int colours = channels == 1 ? 1 : 3;
  std::vector<double> row_corrections;
  double most = 0;
  for (int y = 0; y < image.rows; ++y) {
    corrections(illumination, y, image.size(), row_corrections);
    const T* pixel = image.ptr<T>(y);
    for (int x = 0; x < image.cols; ++x, pixel += channels) {
      const double correction =
          row_corrections.empty() ? 1.0 : row_corrections[static_cast<std::size_t>(x)];
      for (int c = 0; c < colours; ++c) {
        if (pixel[c] < full) most = std::max(most, correction * light[pixel[c]]);
      }
    }
  }
  return most;
}

// The survey's level, share of full scale; 0 where it is too dark everywhere.
double survey_level(const SurveyResult& survey) {
  std::vector<float> levels;
  for (int j = 0; j < survey.backdrop.rows; ++j) {
    for (int i = 0; i < survey.backdrop.cols; ++i) {
      const auto& at = survey.backdrop.at<cv::Vec3f>(j, i);
      const double level =
          (static_cast<double>(at[0]) + static_cast<double>(at[1]) + static_cast<double>(at[2])) /
          (3.0 * survey.full_scale);
      if (survey.backdrop_seen.at<std::uint8_t>(j, i) != 0 && level >= kDarkest) {
        levels.push_back(static_cast<float>(level));
      }
    }
  }
  return median_in_place(levels);
}

std::string note(double factor, const ToneCurve& curve, const Illumination& illumination) {
  std::string text = fmt::format(
      "The exposure was changed by {:+.2f} EV: light was multiplied by {:.6f} (tone curve: {}).",
      std::log2(factor), factor, curve.name());
  if (!illumination.even()) {
    text += fmt::format(
        " Against vignetting it was also divided by e^p, p = {}, with x, y from the image's "
        "centre in half diagonals.",
        illumination.text());
  }
  return text;
}

// Where the factor asked for was not possible.
Finding limited(double asked, double factor, double level) {
  const bool clips = asked > factor && factor < kMostFactor;
  if (!clips) {
    return {Severity::doubt, "exposure", "",
            fmt::format("The exposure differs from the set's so much that light would have to be "
                        "multiplied by {:.2f}; {:.2f} is the limit.",
                        asked, factor),
            "Shoot this station again, or exclude it."};
  }
  const double percent = std::floor(100.0 * level * factor / asked);
  return {
      Severity::doubt, "exposure", "",
      fmt::format("Light was multiplied by {:.3f} instead of {:.3f}, since bright samples would "
                  "be clipped otherwise; the exposure is still {:.1f} % below the set's.",
                  factor, asked, 100.0 * (1.0 - factor / asked)),
      percent >= 100.0 * kLeastExposureLevel
          ? fmt::format("Set exposure.level_percent = {:.0f} or less.", percent)
          : std::string("Shoot this station again, or accept it.")};
}

}  // namespace

std::optional<double> exposure_of(double backdrop_level, const SurveyResult& survey,
                                  const ToneCurve& curve) {
  const double level = survey_level(survey);
  const double seen = backdrop_level * level;
  if (level <= 0.0 || seen <= 0.0 || level > kBrightest || seen > kBrightest) return std::nullopt;
  return curve.light(seen) / curve.light(level);
}

Balance balance(cv::Mat& image, const FoundCurve& found, double backdrop_level,
                const SurveyResult& survey, const Illumination& illumination, double level) {
  Balance result;
  const ToneCurve& curve = found.curve;
  if (found.assumed) {
    result.findings.push_back(
        {Severity::doubt, "exposure", "",
         "The colour profile has no tone curve that can be read; sRGB's was assumed.",
         "Set exposure.curve to \"srgb\" or \"linear\", whichever the images have."});
  }
  const std::optional<double> exposure = exposure_of(backdrop_level, survey, curve);
  const double asked = level / exposure.value_or(1.0);
  if (!exposure) {
    result.findings.push_back({Severity::doubt, "exposure", "",
                               "The exposure could not be measured, since the backdrop is too dark "
                               "or clipped; it was taken for that of the set.",
                               "Compare this station with others, or set exposure.enabled = "
                               "false."});
  }
  const double most = std::min(kMostFactor, greatest_factor(image, curve, illumination));
  const double factor = std::clamp(asked, std::min(kLeastFactor, most), most);
  // Downwards: the limit must hold for what is applied.
  result.factor = std::floor(factor * kSixDecimals + (factor < most ? 0.5 : 0.0)) / kSixDecimals;
  scale_light(image, curve, result.factor, illumination);
  result.findings.push_back(
      {Severity::note, "exposure", "", note(result.factor, curve, illumination),
       "Nothing to do; dividing by the same factor gives the values before, to within one count."});
  if (std::abs(factor - asked) > 1e-3 * asked) {
    result.findings.push_back(limited(asked, factor, level));
  }
  return result;
}

void scale_light(cv::Mat& image, const ToneCurve& curve, double factor,
                 const Illumination& illumination) {
  if (image.depth() == CV_16U) {
    scale<std::uint16_t>(image, curve, factor, illumination);
  } else {
    scale<std::uint8_t>(image, curve, factor, illumination);
  }
}

void undo(cv::Mat& image, const ToneCurve& curve, double factor, const Illumination& illumination) {
  scale_light(image, curve, 1.0 / factor, illumination.inverse());
}

double greatest_factor(const cv::Mat& image, const ToneCurve& curve,
                       const Illumination& illumination) {
  const double most = image.depth() == CV_16U ? brightest<std::uint16_t>(image, curve, illumination)
                                              : brightest<std::uint8_t>(image, curve, illumination);
  const int full = full_scale(image);
  return most > 0.0 ? curve.light((full - 1.0) / full) / most
                    : std::numeric_limits<double>::infinity();
}

}  // namespace trunnion::exposure
