// The hull of real silhouettes under published cameras, drawn into every view. Sources: see
// docs/datasets.md; masks are trunnion's own, so this holds masks, cameras and hull together.
#include <gtest/gtest.h>

#include <iostream>
#include <optional>

#include "core/image_io.h"
#include "stages/hull/hull.h"
#include "stages/mask/mask.h"
#include "stages/survey/survey.h"
#include "tests/support/open_data.h"
#include "tests/support/turntable_data.h"

namespace trunnion {
namespace hull_open_rings_test {

double mean_overlap(const std::vector<test::PublishedView>& published) {
  std::vector<cv::Mat> images;
  std::vector<hull::HullView> views;
  for (const test::PublishedView& view : published) {
    images.push_back(read_image(view.image));
    views.push_back({.name = view.image.filename().string(),
                     .ring = "published",
                     .station = static_cast<int>(views.size()),
                     .camera = view.camera,
                     .pose = view.pose});
  }
  const SurveyResult result = survey::survey(survey::survey_stations({images.size()}, {}),
                                             [&](std::size_t k) { return images[k]; }, std::nullopt,
                                             BackdropKind::automatic, {});
  std::vector<cv::Mat> masks;
  for (const cv::Mat& image : images) {
    masks.push_back(mask::make_mask(image, result, {}, 0.0).coverage);
  }
  const hull::Hull hull = hull::build_hull(views, [&](std::size_t k) { return masks[k]; });
  double sum = 0;
  double worst = 1;
  for (const hull::ViewAgreement& view : hull.views) {
    sum += view.overlap;
    worst = std::min(worst, view.overlap);
  }
  const double mean = sum / static_cast<double>(views.size());
  std::cout << "triangles " << hull.mesh.triangles.size() << ", mean overlap " << mean << ", worst "
            << worst << '\n';
  for (const Finding& finding : hull.findings) {
    std::cout << finding.file << ": " << finding.what << '\n';
  }
  return mean;
}

// Fitzgibbon, Cross, Zisserman, "Automatic 3D model construction for turn-table sequences", 1998.
TEST(HullOfOpenRings, TheTurntableFigureIsCoveredInEveryView) {
  TRUNNION_OPEN_DATA_OR_SKIP(folder, "turntable36");
  EXPECT_GE(mean_overlap(test::read_turntable36(folder)), 0.985);
}

// Seitz et al., "A comparison and evaluation of multi-view stereo reconstruction algorithms", 2006.
TEST(HullOfOpenRings, TheCeramicFigureIsCoveredInEveryView) {
  TRUNNION_OPEN_DATA_OR_SKIP(folder, "ring16");
  EXPECT_GE(mean_overlap(test::read_ring16(folder)), 0.985);
}

}  // namespace hull_open_rings_test
}  // namespace trunnion
