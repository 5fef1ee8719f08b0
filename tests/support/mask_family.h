// The family of bodies (mask_sets.h) as sets of images with their truth, and how masks of them are
// scored.
#pragma once

#include <array>
#include <filesystem>
#include <opencv2/core.hpp>
#include <string>
#include <vector>

#include "core/survey_result.h"
#include "datasets/render.h"
#include "datasets/rig.h"
#include "stages/mask/mask.h"
#include "tests/support/mask_sets.h"

namespace trunnion::test {

// One view without backdrop, whatever stands behind.
struct BodyView {
  demo::RenderedView view;  // `colour`: the specimen's own part of the light
  cv::Mat thin_class;       // CV_8U: 1 below 1 px, 2 to 2 px, 3 to 3 px, at hairs apart from others
};

struct RenderedBody {
  MaskBody body;
  demo::Rig rig;
  std::vector<BodyView> views;
};

// Renders, or reads from `cache` what an earlier run kept there (no cache where empty).
RenderedBody render_body(const MaskBody& body, const std::filesystem::path& cache = {});

struct MaskSet {
  std::vector<cv::Mat> images;   // CV_16UC3
  std::vector<cv::Mat> telling;  // CV_8U, 255 where the truth differs by 3 sigmas or covers nothing
};

MaskSet mask_set(const RenderedBody& body, MaskBackdrop backdrop);

struct MaskSetScore {
  double overlap = 0;  // sum of minima over sum of maxima, mean over the images
  double worst = 1;
  double boundary = 0;  // F at 2 px, edges at half coverage
  double filled = 0;    // gaps and holes filled, share of the specimen's area
  double worst_filled = 0;
  double no_contrast = 0;        // share of the specimen that was left out
  std::array<double, 3> thin{};  // mean coverage over the truth's by width class; 0: none
  double predicted = 0;          // mean predicted overlap
  double size_px = 0;            // root of the area
  std::vector<double> overlaps;
};

MaskSetScore score_masks(const RenderedBody& body, const MaskSet& set,
                         const std::vector<mask::MaskResult>& masks);

SurveyResult survey_set(const MaskSet& set);
std::vector<mask::MaskResult> masks_of(const MaskSet& set, const SurveyResult& survey);

}  // namespace trunnion::test
