// Sets on which masks go wrong, of the judging bodies (tests/support/mask_sets.h): is each bad mask
// doubted, and how does the predicted overlap meet the truth? A line a mask, totals at the end.
//   mask_stress [BODY] [--cache DIR]
#include <array>
#include <cmath>
#include <cstdio>
#include <filesystem>
#include <opencv2/imgproc.hpp>
#include <optional>
#include <string>
#include <vector>

#include "core/camera.h"
#include "stages/mask_confidence/mask_confidence.h"
#include "stages/survey/survey.h"
#include "tests/support/mask_family.h"

namespace trunnion::test {
namespace {

enum class Stress : std::uint8_t { none, faint, moved, wrong_empty, glow };
constexpr std::array kStressNames{"none", "faint", "moved", "wrong-empty", "glow"};

cv::Mat three(const cv::Mat& plane) {
  cv::Mat result;
  cv::merge(std::vector<cv::Mat>{plane, plane, plane}, result);
  return result;
}

cv::Mat to_16(const cv::Mat& image, std::size_t station) {
  cv::Mat noise(image.size(), CV_32FC3);
  cv::RNG random(50 + station);
  random.fill(noise, cv::RNG::NORMAL, 0.0, 250.0);
  cv::Mat result;
  cv::Mat(image + noise).convertTo(result, CV_16U);
  return result;
}

// Level of what the specimen leaves free.
cv::Scalar level_of(const cv::Mat& image, const BodyView& view) {
  return cv::mean(image, view.view.coverage == 0);
}

// A cloth's pattern, at another place in each image.
cv::Mat cloth(const cv::Size& size, std::size_t station) {
  cv::Mat pattern(size, CV_32FC1);
  const double shift = 23.0 * static_cast<double>(station);
  for (int y = 0; y < size.height; ++y) {
    for (int x = 0; x < size.width; ++x) {
      pattern.at<float>(y, x) =
          static_cast<float>(1800.0 * std::sin((x + shift) / 31.0) * std::cos(y / 47.0));
    }
  }
  return pattern;
}

void disturb(Stress stress, const RenderedBody& body, MaskSet& set) {
  for (std::size_t k = 0; k < set.images.size(); ++k) {
    const BodyView& view = body.views[k];
    cv::Mat image;
    set.images[k].convertTo(image, CV_32F);
    const cv::Mat behind(image.size(), CV_32FC3, level_of(image, view));
    const cv::Mat through = three(view.view.through);
    if (stress == Stress::faint) {
      image = 0.12 * image + 0.88 * behind;
      set.telling[k].setTo(255);  // what has no contrast is missing as well
    } else if (stress == Stress::moved) {
      image += three(cloth(image.size(), k)).mul(through);
    } else if (stress == Stress::glow) {
      cv::Mat own = (image - behind).mul(cv::Scalar::all(1.0) - through);
      cv::GaussianBlur(own, own, {}, 12.0);
      image += 0.5 * own.mul(through);
    } else {
      continue;
    }
    set.images[k] = to_16(image, k);
  }
}

std::optional<survey::EmptyStage> wrong_empty(const RenderedBody& body, const MaskSet& set) {
  cv::Mat image;
  set.images[0].convertTo(image, CV_32F);
  cv::Mat empty(image.size(), CV_32FC3, level_of(image, body.views[0]));
  for (int y = 0; y < empty.rows; ++y) {
    empty.row(y) *= 0.94 + 0.14 * y / empty.rows;  // lit from another side
  }
  survey::EmptyStage stage;
  stage.image = to_16(empty, 99);
  return stage;
}

struct Totals {
  int bad = 0, bad_doubted = 0, good = 0, good_doubted = 0, all = 0, within = 0;
};

void judge(const std::string& name, const RenderedBody& body, const MaskSet& set,
           const SurveyResult& survey, Totals& totals) {
  const std::vector<mask::MaskResult> masks = masks_of(set, survey);
  const MaskSetScore score = score_masks(body, set, masks);
  std::vector<mask_confidence::MaskView> views;
  for (std::size_t k = 0; k < masks.size(); ++k) {
    mask_confidence::MaskView view;
    view.name = std::to_string(k);
    view.ring = "ring";
    view.stage_angle = 2.0 * 3.14159265 * static_cast<double>(k) / kMaskSetViews;
    view.measures = masks[k].measures;
    view.pose = body.rig.pose(0, k);
    views.push_back(view);
  }
  const auto confidence = mask_confidence::mask_confidence(views, body.rig.camera);
  bool set_doubted = false;
  for (const Finding& f : survey.findings) set_doubted |= f.severity == Severity::doubt;
  for (const Finding& f : confidence.findings) {
    set_doubted |= f.severity == Severity::doubt && f.file.empty();
  }
  for (std::size_t k = 0; k < masks.size(); ++k) {
    const MaskMeasures& m = masks[k].measures;
    const bool doubted = confidence.scores[k].doubtful || set_doubted;
    const double truth = score.overlaps[k];
    std::printf("%-22s %zu  truth %.4f  predicted %.4f +- %.4f  %s%s\n", name.c_str(), k, truth,
                m.predicted_overlap, m.predicted_sigma,
                confidence.scores[k].doubtful ? "doubted" : "-", set_doubted ? " set" : "");
    totals.bad += truth < 0.96 ? 1 : 0;
    totals.bad_doubted += truth < 0.96 && doubted ? 1 : 0;
    totals.good += truth > 0.98 ? 1 : 0;
    totals.good_doubted += truth > 0.98 && doubted ? 1 : 0;
    ++totals.all;
    totals.within += std::abs(truth - m.predicted_overlap) <= 1.96 * m.predicted_sigma ? 1 : 0;
  }
  std::fflush(stdout);
}

void run(const std::string& wanted, const std::filesystem::path& cache) {
  Totals totals;
  for (const MaskBody& each : kJudgingBodies) {
    if (!wanted.empty() && wanted != each.name) continue;
    const RenderedBody body = render_body(each, cache);
    for (const Stress stress :
         {Stress::none, Stress::faint, Stress::moved, Stress::wrong_empty, Stress::glow}) {
      MaskSet set = mask_set(body, MaskBackdrop::grey);
      disturb(stress, body, set);
      const auto empty = stress == Stress::wrong_empty ? wrong_empty(body, set) : std::nullopt;
      const SurveyResult found = survey::survey(
          survey::survey_stations({set.images.size()}, {}),
          [&](std::size_t k) { return set.images[k].clone(); }, empty, BackdropKind::automatic, {});
      judge(std::string(each.name) + "/" + kStressNames[static_cast<std::size_t>(stress)], body,
            set, found, totals);
    }
  }
  std::printf(
      "below 0.96: %d, doubted %d; above 0.98: %d, doubted %d; of %d within 1.96 sigma: %d\n",
      totals.bad, totals.bad_doubted, totals.good, totals.good_doubted, totals.all, totals.within);
}

}  // namespace
}  // namespace trunnion::test

int main(int argc, char** argv) {
  std::filesystem::path cache;
  std::string body;
  const std::vector<std::string> words(argv + 1, argv + argc);
  for (std::size_t i = 0; i < words.size(); ++i) {
    if (words[i] == "--cache" && i + 1 < words.size()) {
      cache = words[++i];
    } else {
      body = words[i];
    }
  }
  trunnion::test::run(body, cache);
  return 0;
}
