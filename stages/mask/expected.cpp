#include "stages/mask/expected.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstddef>

namespace trunnion::mask {
namespace {

// Share of pixels that are wrong, by DoubtKind.
constexpr std::array<double, kDoubtKinds> kWrong{0.012, 0.08, 0.3, 0.17, 0.23, 2.0, 0.6};
constexpr double kMostError = 0.99;  // a prediction of 0 would mean that there is none
constexpr double kLeastSigma = 0.004;
constexpr double kSigmaShare = 0.4;  // of the predicted error
constexpr int kCells = 5;            // across the mask's box, each way: where the doubt lies

double wrong_px(const DoubtPart& part) {
  return kWrong[static_cast<std::size_t>(part.kind)] * part.px;
}

}  // namespace

void predict_overlap(const std::vector<DoubtPart>& parts, MaskMeasures& measures) {
  const cv::Rect& box = measures.box_px;
  if (box.empty()) return;
  std::array<double, static_cast<std::size_t>(kCells) * kCells> cells{};
  double wrong = 0;
  for (const DoubtPart& part : parts) {
    wrong += wrong_px(part);
    const int i = std::clamp((part.at.x - box.x) * kCells / box.width, 0, kCells - 1);
    const int j = std::clamp((part.at.y - box.y) * kCells / box.height, 0, kCells - 1);
    cells[static_cast<std::size_t>(j * kCells + i)] += wrong_px(part);
  }
  const double error = std::min(kMostError, wrong / std::max(1.0, measures.area_px));
  measures.predicted_overlap = 1.0 - error;
  measures.predicted_sigma = std::hypot(kLeastSigma, kSigmaShare * error);
  const auto worst = static_cast<int>(std::max_element(cells.begin(), cells.end()) - cells.begin());
  const auto edge = [](int from, int size, int cell) { return from + size * cell / kCells; };
  const cv::Point low(edge(box.x, box.width, worst % kCells),
                      edge(box.y, box.height, worst / kCells));
  const cv::Point high(edge(box.x, box.width, worst % kCells + 1),
                       edge(box.y, box.height, worst / kCells + 1));
  measures.doubt_px = cv::Rect(low, high);
}

}  // namespace trunnion::mask
