#include "core/preview_grids.h"

#include <opencv2/imgproc.hpp>

namespace trunnion {
namespace {

std::vector<float> cells_of(const cv::Mat& values) {
  cv::Mat small;
  cv::resize(values, small, {kGreyWidth, kGreyHeight}, 0, 0, cv::INTER_AREA);
  return {small.ptr<float>(), small.ptr<float>() + small.total()};
}

}  // namespace

PreviewGrids grids_of(const cv::Mat& preview) {
  if (preview.empty()) return {};
  cv::Mat grey;
  preview.convertTo(grey, CV_32F, 1.0 / 255.0);
  cv::Mat detail;
  cv::Laplacian(grey, detail, CV_32F);
  detail = detail.mul(detail);
  cv::Mat fine;
  cv::resize(grey, fine, {kFineWidth, kFineHeight}, 0, 0, cv::INTER_AREA);
  fine.convertTo(fine, CV_16U, 65535.0);
  return {cells_of(grey),
          cells_of(detail),
          {fine.ptr<std::uint16_t>(), fine.ptr<std::uint16_t>() + fine.total()}};
}

}  // namespace trunnion
