#include "stages/calibrate_lens/judge.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "core/angle.h"
#include "stages/calibrate_lens/advice.h"
#include "stages/calibrate_lens/coverage.h"
#include "stages/calibrate_lens/field.h"

namespace trunnion::calibrate_lens {
namespace {

void doubt(LensResult& result, const std::string& what, const std::string& remedy) {
  result.findings.push_back({Severity::doubt, "calibrate lens", "", what, remedy});
}
void note(LensResult& result, const std::string& what, const std::string& remedy) {
  result.findings.push_back({Severity::note, "calibrate lens", "", what, remedy});
}
void fault(LensResult& result, const std::string& what, const std::string& remedy) {
  result.findings.push_back({Severity::fault, "calibrate lens", "", what, remedy});
}

// Grades one figure: 2 good, 1 fair, 0 poor; adds the reason where it is not good.
int grade(LensResult& result, double value, double good, double poor, const std::string& reason) {
  const bool rising = good > poor;
  const int found = (rising ? value >= good : value <= good) ? 2
                    : (rising ? value < poor : value > poor) ? 0
                                                             : 1;
  if (found < 2) result.quality_reasons.push_back(reason);
  return found;
}

void judge_geometry(LensResult& result) {
  const int boards = result.calibration.images_used;
  const double tilt_deg = degrees(largest_tilt(result));
  const bool perspective = result.fit.model.projection == Projection::perspective;
  if (boards < 6) {
    doubt(result,
          fmt::format("Only {} boards: with so few, a bad image cannot be distinguished from a "
                      "wrong model, and the model cannot be tested on boards left out of the fit.",
                      boards),
          "Shoot 10 to 20 boards.");
  }
  if (perspective && tilt_deg < kParallel_deg) {
    doubt(result,
          fmt::format("All boards lie parallel to the sensor within {:.1f} degrees; the focal "
                      "length can be determined only from the perspective of tilted boards.",
                      tilt_deg),
          "Tilt boards by 20 to 45 degrees, as far as the focus series reaches.");
  }
  if (result.coverage.share < kCovered) {
    doubt(result,
          fmt::format(
              "Corners cover {:.0f} % of the image; the distortion elsewhere is extrapolated.",
              100.0 * result.coverage.share),
          "Place boards towards the edges and corners that the report shows empty.");
  } else if (result.coverage.reach < kReached) {
    doubt(result,
          fmt::format("Corners reach {:.0f} % of the way to the image's corners; the distortion "
                      "beyond is extrapolated.",
                      100.0 * result.coverage.reach),
          "Place boards into the corners of the image.");
  }
  if (result.sigma_px > 1.0) {
    doubt(result,
          fmt::format("The residuals of the corners are {:.2f} px with the best model.",
                      result.sigma_px),
          "Check that the board is flat and sharp and that the fusion left no seams.");
  }
}

void judge_focal_length(const Setup& setup, LensResult& result) {
  if (result.fit.model.projection != Projection::perspective) return;
  const double by_data = result.principal_distance_sigma_data;
  const double total = result.principal_distance_sigma;
  const double c_mm = result.calibration.camera.fx * setup.pixel_pitch_um * 1e-3;
  if (result.correlation_with_distance > 0.95) {
    note(result,
         fmt::format("Principal distance and distance to the board are {:.3f} correlated: only "
                     "their ratio, the magnification, is well determined.",
                     result.correlation_with_distance),
         "Do not use either value alone; the scale in the plane of focus is not affected.");
  }
  if (by_data > 0.03 && result.prior) {
    doubt(result,
          fmt::format("These boards alone determine the focal length only within {}; the principal "
                      "distance of {:.1f} mm +- {:.1f} % comes mainly from the setup file.",
                      by_data < 1.0 ? fmt::format("{:.0f} %", 100.0 * by_data) : "a factor of two",
                      c_mm, 100.0 * total),
          "Tilt boards further, or give the measured pupil_magnification and working_distance_mm "
          "in the setup.");
  } else if (by_data > 0.03) {
    doubt(result,
          fmt::format("These boards determine the focal length only within {:.0f} %, and the setup "
                      "file gives nothing to improve it.",
                      100.0 * by_data),
          "Tilt boards further.");
  }
  if (total > 0.2 || !(result.fit.camera[kE] > 0)) {
    fault(
        result,
        "The focal length cannot be determined from these boards: their perspective is too weak.",
        "Tilt boards by 20 to 45 degrees, or fuse without rescaling from a rail and say so in the "
        "setup (telecentric model).");
  }
  for (int k = 0; k < 3; ++k) {
    const int index = std::array<int, 3>{kK1, kK2, kK3}[static_cast<std::size_t>(k)];
    const double sigma = std::sqrt(result.uncertainty.covariance(index, index));
    if (free_parameters(result.fit.model)[static_cast<std::size_t>(index)] && sigma > 0.5) {
      doubt(result, fmt::format("Radial term k{} is not determined.", k + 1),
            "Place boards into the corners of the image.");
    }
  }
}

void judge_quality(LensResult& result) {
  const int boards = result.calibration.images_used;
  const double tilt_deg = degrees(largest_tilt(result));
  double worst = 0;
  for (const FieldPoint& point : result.field) worst = std::max(worst, point.sigma_correction_px);
  int quality = 2;
  const auto take = [&quality](int found) { quality = std::min(quality, found); };
  take(grade(result, boards, 10, 6, fmt::format("{} boards (good: 10 or more)", boards)));
  take(grade(result, result.coverage.share, 0.7, 0.4,
             fmt::format("{:.0f} % of the image covered (good: 70 or more)",
                         100.0 * result.coverage.share)));
  take(grade(result, result.coverage.reach, 0.8, 0.6,
             fmt::format("corners reach {:.0f} % of the half diagonal (good: 80 or more)",
                         100.0 * result.coverage.reach)));
  take(grade(result, worst, 0.5, 2.0,
             fmt::format("undistortion uncertain by up to {:.2f} px (good: 0.5 or less)", worst)));
  if (result.fit.model.projection == Projection::perspective) {
    take(grade(result, tilt_deg, 15, 8,
               fmt::format("largest tilt {:.0f} degrees (good: 15 or more)", tilt_deg)));
    take(grade(result, result.principal_distance_sigma, 0.01, 0.05,
               fmt::format("principal distance uncertain by {:.1f} % (good: 1 or less)",
                           100.0 * result.principal_distance_sigma)));
  }
  result.calibration.quality = quality == 2 ? "good" : quality == 1 ? "fair" : "poor";
}

}  // namespace

void judge_scale(const Setup& setup, const BoardPattern& pattern, LensResult& result) {
  const double marked = setup.lateral_magnification();
  const double measured = result.calibration.magnification;
  const double ratio = measured / marked;
  constexpr double kDoubtful = 0.08;  // common practice, no source: marks hold to a few percent
  constexpr double kWrong = 0.25;
  if (std::abs(std::log(ratio)) < std::log1p(kDoubtful)) return;
  const double pitch_mm = setup.pixel_pitch_um * 1e-3;
  const bool perspective = result.fit.model.projection == Projection::perspective;
  const double sigma = result.principal_distance_sigma_data;
  const std::string found = fmt::format(
      "The boards show a magnification of {:.4g} where the setup says {:.4g}", measured, marked);
  std::string what = found + fmt::format(
                                 ". Either the squares are not {:.4g} mm or another setup was "
                                 "used; these images cannot decide.",
                                 pattern.square_mm);
  std::string remedy = fmt::format(
      "Measure a square ({:.4g} mm would fit the mark), or correct the magnification "
      "mark, extension or converter in the setup.",
      pattern.square_mm * ratio);
  if (perspective && sigma < 0.1) {
    const double c_mm = result.principal_distance_data_px * pitch_mm;
    const double allowed = std::max(3.0 * sigma, 0.07);
    const double by_mark = setup.principal_distance_mm();
    const double by_measure = setup.focal_length_mm * setup.converter *
                              (1.0 + measured / setup.converter / setup.pupil_magnification);
    if (std::abs(c_mm / by_mark - 1.0) < allowed) {
      what = found + fmt::format(
                         ", while their perspective shows the principal distance the setup "
                         "says ({:.1f} mm): the lens is right, the squares are not {:.4g} "
                         "mm.",
                         c_mm, pattern.square_mm);
      remedy = fmt::format("Measure a square and give --square; {:.4g} mm would fit.",
                           pattern.square_mm * ratio);
    } else if (std::abs(c_mm / by_measure - 1.0) < allowed) {
      what = found + fmt::format(
                         ", and their perspective agrees with that (principal distance {:.1f} "
                         "mm): this is not the setup the boards were shot with.",
                         c_mm);
      remedy = "Correct the magnification mark, extension or converter, or use the right setup.";
    } else {
      what = found + fmt::format(
                         ", and their perspective a principal distance of {:.1f} mm where the "
                         "setup says {:.1f} mm: another lens, another pixel pitch or a wrong "
                         "square size.",
                         c_mm, by_mark);
      remedy = "Check that setup and images belong together, then the size of the squares.";
    }
  }
  if (std::abs(std::log(ratio)) > std::log1p(kWrong)) {
    fault(result, what, remedy);
  } else {
    doubt(result, what, remedy);
  }
}

void judge(const Setup& setup, const BoardPattern& pattern, LensResult& result) {
  measure_coverage(result);
  result.largest_tilt = largest_tilt(result);
  result.field = field_of(result.fit, result.uncertainty.covariance, 13, 9);
  judge_scale(setup, pattern, result);
  judge_geometry(result);
  judge_focal_length(setup, result);
  // What the boards alone say against what the setup says.
  if (result.prior && std::isfinite(result.principal_distance_sigma_data)) {
    const double expected = result.prior->principal_distance_px;
    const double sigma =
        std::hypot(result.prior->sigma_fraction, result.principal_distance_sigma_data);
    const double off = expected / result.principal_distance_data_px - 1.0;  // in e, as fitted
    if (std::abs(off) > 3.0 * sigma) {
      doubt(
          result,
          fmt::format("The boards show a principal distance of {:.1f} mm, lens and magnification "
                      "give {:.1f} mm +- {:.0f} %.",
                      result.principal_distance_data_px * setup.pixel_pitch_um * 1e-3,
                      expected * setup.pixel_pitch_um * 1e-3, 100.0 * result.prior->sigma_fraction),
          "Check focal_length_mm, pupil_magnification and [fusion] in the setup.");
    }
  }
  judge_quality(result);
  result.advice = next_board(pattern, result);
}

}  // namespace trunnion::calibrate_lens
