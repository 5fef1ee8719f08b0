// The frames that the demo's fused images stand for, as a camera's card holds them: one focus
// series a station, in the order of the rings.
//
//   DIR/card/frame_0001.jpg, ...   small JPEGs with date, hundredths of a second and exposure
#pragma once

#include <cstdint>
#include <ctime>
#include <opencv2/core.hpp>
#include <vector>

#include "core/metadata.h"
#include "datasets/demo_set.h"

namespace trunnion::demo {

inline constexpr int kCardWidth_px = 360;
inline constexpr double kFrameInterval_s = 2.0;
inline constexpr double kSeriesPause_s = 25.0;
inline constexpr std::time_t kCardBegins = 1'768'467'600;  // 2026-01-15 09:00:00 by the camera

struct CardFrame {
  cv::Mat image;      // CV_8UC3, kCardWidth_px wide
  double time_s = 0;  // since 1970
};

struct SeriesShape {
  int planes = 9;          // of focus between the nearest and the farthest point
  double before = 1.5;     // planes before the nearest point; negative: its depth is not covered
  double behind = 1.5;     // the same behind the farthest point
  double blur_px = 0.45;   // standard deviation in the frame, one plane out of focus
  std::size_t number = 0;  // of the series on the card
};

// The focus series of one view, nearest plane first.
std::vector<CardFrame> focus_series(const DemoSet& set, const RenderedView& view,
                                    const SeriesShape& shape);

// The series that the demo's card holds: as many frames as its options say, the whole depth.
SeriesShape card_shape(const DemoSet& set, std::size_t number);

// Exif of a frame.
Metadata card_metadata(const CardFrame& frame);

}  // namespace trunnion::demo
