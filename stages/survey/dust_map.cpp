// Messages and picture about dust for the user (see survey.h and dust.h).
#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <opencv2/imgproc.hpp>

#include "stages/survey/dust.h"
#include "stages/survey/survey.h"

namespace trunnion::survey {

Findings dust_advice(const std::vector<Spot>& spots, const cv::Size& image) {
  int dust = 0;
  int hot = 0;
  int large = 0;
  const Spot* worst = nullptr;
  for (const Spot& spot : spots) {
    if (spot.hot_pixel) {
      ++hot;
      continue;
    }
    ++dust;
    large += spot.diameter_px > 20.0 ? 1 : 0;
    const auto harm = [](const Spot& s) { return std::abs(s.contrast) * s.diameter_px; };
    if (worst == nullptr || harm(spot) > harm(*worst)) worst = &spot;
  }
  Findings findings;
  if (worst != nullptr) {
    const double u = worst->x_px / image.width;
    const double v = worst->y_px / image.height;
    const std::string row = v < 1.0 / 3 ? "upper " : v > 2.0 / 3 ? "lower " : "middle ";
    const std::string column = u < 1.0 / 3 ? "left" : u > 2.0 / 3 ? "right" : "middle";
    const std::string place = row == "middle " && column == "middle" ? "middle" : row + column;
    findings.push_back(
        {Severity::note, "survey", "",
         fmt::format("{} dust spot{} repeat{} at the same place in every image, {} of them larger "
                     "than 20 px, the worst in the {}.",
                     dust, dust == 1 ? "" : "s", dust == 1 ? "s" : "", large, place),
         "Have the sensor cleaned before the next set; see \"Sensor and lens\" in "
         "docs/safety.md."});
  }
  if (hot > 0) {
    findings.push_back({Severity::note, "survey", "",
                        fmt::format("{} hot pixel{} show{} in every image.", hot,
                                    hot == 1 ? "" : "s", hot == 1 ? "s" : ""),
                        "Shorter exposures or a cooler camera give fewer."});
  }
  return findings;
}

cv::Mat dust_map(const SurveyResult& survey) {
  constexpr double kLongest = 1200;
  const double scale = std::min(1.0, kLongest / std::max({1, survey.width_px, survey.height_px}));
  const cv::Size size(std::max(1, static_cast<int>(std::lround(survey.width_px * scale))),
                      std::max(1, static_cast<int>(std::lround(survey.height_px * scale))));
  cv::Mat picture;
  survey.backdrop.convertTo(picture, CV_8U, 100.0 / survey.full_scale, 150.0);
  cv::resize(picture, picture, size, 0, 0, cv::INTER_AREA);
  for (const Spot& spot : survey.spots) {
    const cv::Point centre(static_cast<int>(std::lround(spot.x_px * scale)),
                           static_cast<int>(std::lround(spot.y_px * scale)));
    const int radius = std::max(6, static_cast<int>(std::lround(spot.length_px * scale)) + 3);
    const cv::Scalar colour = spot.hot_pixel ? cv::Scalar(160, 90, 0) : cv::Scalar(20, 20, 200);
    cv::circle(picture, centre, radius, colour, 2, cv::LINE_AA);
    cv::circle(picture, centre, 1, colour, cv::FILLED);
  }
  return picture;
}

}  // namespace trunnion::survey
