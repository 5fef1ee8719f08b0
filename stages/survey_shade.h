// Shades: how much darker or brighter than its surround each pixel is, remembered in a byte a
// station, and their median over the stations (see survey.h on dust).
#pragma once

#include <opencv2/core.hpp>
#include <vector>

namespace trunnion {

// CV_8U from grey (CV_32FC1) values; the surround is a median over 5 cells of `shrink` px.
cv::Mat shade_of(const cv::Mat& grey, int shrink, double full_scale);

// Mean unevenness around each pixel of a shade, CV_32FC1 at 1/shrink of the size.
cv::Mat unrest_of(const cv::Mat& shade, int shrink);

// At which stations little goes on around each pixel. Rows stand for `shrink` rows of the image.
struct CalmStations {
  int shrink = 1;
  cv::Mat count;                  // CV_8U, how many, at least 3 (or all)
  std::vector<cv::Mat> restless;  // CV_8U a station, 255 where it is not one of them
};

// `unrest` of up to 24 stations; `size` of the shades.
CalmStations calm_stations(const std::vector<cv::Mat>& unrest, int shrink, const cv::Size& size);

struct Shades {
  cv::Mat middle;  // CV_32FC1, median over the calm stations
  cv::Mat error;   // CV_32FC1, of one pixel's median
};

// Median over the stations at which little goes on around each pixel.
Shades median_shade(const std::vector<cv::Mat>& stations, const CalmStations& calm);

// Sigma of `slope` (CV_32FC1) around each pixel, by a median within `reach_px`.
cv::Mat scatter_around(const cv::Mat& slope, int reach_px);

}  // namespace trunnion
