// Masks of real turntable sets against their published cameras and silhouette recipe. No truth of
// the specimen is used: silhouettes must agree with each other.
#include <gtest/gtest.h>

#include <fstream>
#include <iostream>
#include <opencv2/imgproc.hpp>
#include <set>
#include <sstream>

#include "core/image_io.h"
#include "core/silhouette_hull.h"
#include "stages/mask/mask.h"
#include "stages/survey/survey.h"
#include "tests/support/open_data.h"

namespace trunnion {
namespace silhouettes_test {

namespace fs = std::filesystem;

struct Set {
  std::vector<std::string> names;
  std::vector<cv::Mat> images;
  std::vector<mask::MaskResult> masks;
};

Set mask_all(const std::vector<fs::path>& files) {
  Set set;
  for (const fs::path& file : files) {
    set.names.push_back(file.filename().string());
    set.images.push_back(read_image(file));
  }
  const SurveyResult result = survey::survey(survey::survey_stations({files.size()}, {}),
                                             [&](std::size_t k) { return set.images[k]; },
                                             std::nullopt, BackdropKind::automatic, {});
  EXPECT_TRUE(result.spots.empty()) << "neither set shows dust or hot pixels";
  for (const cv::Mat& image : set.images)
    set.masks.push_back(mask::make_mask(image, result, {}, 0.0));
  return set;
}

double mean_agreement(const Set& set, const std::vector<Projection34>& projections) {
  std::vector<HullView> views;
  for (std::size_t k = 0; k < projections.size(); ++k) {
    const MaskMeasures& measures = set.masks[k].measures;
    const double scale = measures.silhouette_scale;
    Eigen::Matrix3d shrink = Eigen::Matrix3d::Identity();
    shrink(0, 0) = shrink(1, 1) = 1.0 / scale;
    shrink(0, 2) = shrink(1, 2) = -0.5 * (scale - 1.0) / scale;
    views.push_back({measures.silhouette, shrink * projections[k]});
  }
  double sum = 0;
  for (const HullAgreement& view : hull_agreement(views)) sum += view.agreement;
  return sum / static_cast<double>(views.size());
}

// Matrices published with Fitzgibbon, Cross, Zisserman, "Automatic 3D model construction for
// turn-table sequences", SMILE 1998.
TEST(Silhouettes, OfTheTurntableFigureAgreeUnderThePublishedMatrices) {
  TRUNNION_OPEN_DATA_OR_SKIP(folder, "turntable36");
  std::vector<Projection34> projections;
  std::ifstream lines(folder / "projections.txt");
  for (std::string line; std::getline(lines, line);) {
    if (line.empty() || line.front() == '#') continue;
    std::istringstream numbers(line);
    Projection34 P;
    for (int i = 0; i < 12; ++i) numbers >> P(i / 4, i % 4);
    projections.push_back(P);
  }
  ASSERT_EQ(projections.size(), 36U);
  std::vector<fs::path> files;
  for (int k = 0; k < 36; ++k) {
    files.push_back(folder / "images" / cv::format("viff.%03d.png", k));
  }
  const double agreement = mean_agreement(mask_all(files), projections);
  std::cout << "agreement of the silhouettes " << agreement << '\n';
  EXPECT_GE(agreement, 0.992) << "0.97 is asked; its reflection in the table costs 0.008";
}

// Cameras and silhouette recipe (threshold 0.19 of full scale, dilate 10 px, erode 7 px) published
// with Seitz et al., "A comparison and evaluation of multi-view stereo reconstruction algorithms",
// CVPR 2006. The recipe errs outwards.
TEST(Silhouettes, OfTheCeramicFigureAgreeAndLieWithinTheRecipe) {
  TRUNNION_OPEN_DATA_OR_SKIP(folder, "ring16");
  std::vector<fs::path> files;
  std::vector<Projection34> projections;
  std::ifstream list(folder / "dinoSR_par.txt");
  int count = 0;
  list >> count;
  for (int k = 0; k < count; ++k) {
    std::string name;
    list >> name;
    files.push_back(folder / "images" / name);
    Eigen::Matrix3d K;
    Projection34 external;
    for (int i = 0; i < 9; ++i) list >> K(i / 3, i % 3);
    for (int i = 0; i < 9; ++i) list >> external(i / 3, i % 3);
    for (int i = 0; i < 3; ++i) list >> external(i, 3);
    projections.push_back(K * external);
  }
  const Set set = mask_all(files);
  const double agreement = mean_agreement(set, projections);
  EXPECT_GE(agreement, 0.97);

  std::set<std::string> good;
  std::ifstream names(folder / "dinoSR_good_silhouette_images.txt");
  for (std::string name; names >> name;) good.insert(name);
  ASSERT_GE(good.size(), 10U);
  const auto disc = [](int radius) {
    return cv::getStructuringElement(cv::MORPH_ELLIPSE, {2 * radius + 1, 2 * radius + 1});
  };
  double ours = 0;
  double theirs = 0;
  double both = 0;
  for (std::size_t k = 0; k < files.size(); ++k) {
    if (good.count(set.names[k]) == 0) continue;
    cv::Mat grey;
    cv::cvtColor(set.images[k], grey, cv::COLOR_BGR2GRAY);
    cv::Mat recipe = grey > 0.19 * 255.0;
    cv::dilate(recipe, recipe, disc(10));
    cv::erode(recipe, recipe, disc(7));
    const cv::Mat mask = set.masks[k].coverage > 127;
    ours += cv::countNonZero(mask);
    theirs += cv::countNonZero(recipe);
    both += cv::countNonZero(mask & recipe);
  }
  std::cout << "agreement of the silhouettes " << agreement << ", within the recipe " << both / ours
            << ", of the recipe " << both / theirs << '\n';
  EXPECT_GE(both / ours, 0.99);
  EXPECT_GE(both / theirs, 0.93);
}

}  // namespace silhouettes_test
}  // namespace trunnion
