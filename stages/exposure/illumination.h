// How evenly light reaches the frame, from an image of an even surface: the empty stage or a grey
// card. Vignetting and the fall-off of the lamps are one to the file, and both are smooth:
//
//   light(x, y) = e^p(x, y) of that at the brightest place,  p = sum of c_ij x^i y^j, i + j <= 4
//
// with x, y in px from the image's centre over half its diagonal. The fit minimises the residual of
// the logarithm, robustly (Tukey's biweight, Mosteller and Tukey, "Data Analysis and Regression",
// 1977), so a pin or specks in the image do not count. Terms are rounded to the six decimals with
// which they are recorded, so what is recorded is exactly what was applied.
#pragma once

#include <array>
#include <filesystem>
#include <functional>
#include <mutex>
#include <opencv2/core.hpp>
#include <optional>
#include <string>
#include <vector>

#include "config/settings.h"
#include "core/error.h"
#include "core/image_io.h"
#include "stages/exposure/tone_curve.h"

namespace trunnion::exposure {

inline constexpr std::size_t kTerms = 15;

struct Illumination {
  std::array<double, kTerms> terms{};  // c_ij: 1, y .. y^4, x, x y .. x y^3, x^2, ...; all 0: even
  [[nodiscard]] bool even() const;
  // p at every pixel of row `y` of an image of `size`.
  void logarithms(int y, cv::Size size, std::vector<double>& row) const;
  // The opposite, which undoes it.
  [[nodiscard]] Illumination inverse() const;
  [[nodiscard]] std::string text() const;  // "-0.01 + 0.02 x - 0.15 x^2 y^2"
};

// `image`: 8 or 16 bit, 1, 3 or 4 channels. Throws a data error that begins with `name` and says
// what to do where the image is too dark, clipped, uneven in detail, or darker than a third of its
// brightest place somewhere.
Illumination illumination_of(const cv::Mat& image, const ToneCurve& curve, const std::string& name);

// The file that shows how evenly light reaches the frame; nothing where vignetting is left alone.
// Throws a data error where it lies among the results, by whatever link.
std::optional<std::filesystem::path> even_image(const std::filesystem::path& workspace,
                                                const std::optional<std::string>& empty_stage,
                                                const ExposureSettings& settings);

// The same from a file of even_image, even light from none. `size` is that of the set's images; a
// data error where the file's differs.
Illumination read_illumination(const std::optional<std::filesystem::path>& file,
                               const ImageLimits& limits, cv::Size size, ToneCurveChoice choice);

// The illumination of a set: found once, by whichever image asks first. Where that fails, every
// image hears the same error. May be called from several threads.
class SetIllumination {
 public:
  const Illumination& get(const std::function<Illumination()>& find);

 private:
  std::mutex mutex_;
  std::optional<Illumination> found_;
  std::optional<Error> error_;
};

}  // namespace trunnion::exposure
