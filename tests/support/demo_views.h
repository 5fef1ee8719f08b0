// Views of a demo set, rendered once and exposed by as many sensors as wanted.
#pragma once

#include <opencv2/core.hpp>
#include <vector>

#include "datasets/demo_set.h"
#include "stages/survey/survey.h"

namespace trunnion::test {

inline std::vector<demo::RenderedView> rendered(const demo::DemoSet& set) {
  std::vector<demo::RenderedView> views;
  for (const demo::DemoView& view : set.views()) views.push_back(set.render(view));
  return views;
}

inline std::vector<cv::Mat> exposed(const demo::DemoSet& set,
                                    const std::vector<demo::RenderedView>& views) {
  std::vector<cv::Mat> images;
  for (std::size_t k = 0; k < views.size(); ++k) {
    images.push_back(set.fused(set.views()[k], views[k]));
  }
  return images;
}

// The survey as it runs by default on one ring of them.
inline SurveyResult survey_all(const std::vector<cv::Mat>& images) {
  return survey::survey(survey::survey_stations({images.size()}, {}),
                        [&](std::size_t k) { return images[k].clone(); }, std::nullopt,
                        BackdropKind::automatic, {});
}

}  // namespace trunnion::test
