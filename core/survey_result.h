// The result of the survey, read by the later stages: the backdrop, its noise, the contrast of the
// specimen against it, and the static defects of the sensor.
#pragma once

#include <array>
#include <cstddef>
#include <opencv2/core.hpp>
#include <vector>

#include "core/finding.h"

namespace trunnion {

// A static defect of the sensor: fixed in the image at every station. A speck of dust dims what
// lies behind it; a hot pixel adds light. Where slices of a rail series were aligned by scaling, a
// speck leaves a trail that points to the image centre.
struct Spot {
  double x_px = 0;         // centre
  double y_px = 0;         // centre
  double diameter_px = 0;  // of the circle of equal area at half depth
  double contrast = 0;  // signed, relative to its surround, negative is darker; hot pixels: light
                        // added, share of full scale
  bool hot_pixel = false;
  double length_px = 0;  // longer axis; equal to the diameter for round spots
  double angle = 0;      // rad, direction of the longer axis, from +x towards +y
  bool trail = false;    // elongated along the radius from the image centre
  // Transmission (1 = clear) around the spot, CV_32FC1, its middle pixel at (x, y) rounded to
  // `patch_step` px; empty for hot pixels.
  cv::Mat transmission;
  int patch_step = 1;  // px of the image per patch pixel
};

// Contrast (see contrast.h) that separates specimen from backdrop in this set.
struct Separation {
  double noise = 0;     // 1 sigma of the contrast of one backdrop pixel, median over the frame
  double specimen = 0;  // median contrast of the specimen; 0 where none was found
  double low = 0;       // a pixel joined to the specimen belongs to it from here on
  double high = 0;      // a component without a pixel above this is no specimen
};

struct SurveyResult {
  int width_px = 0;  // of the surveyed images
  int height_px = 0;
  double full_scale = 255;   // 255 or 65535
  int scale = 1;             // backdrop is at 1/scale of the image size, rounded up
  cv::Mat backdrop;          // CV_32FC3, sensor values (BGR), what does not turn
  cv::Mat backdrop_seen;     // CV_8U, 255 where the backdrop was seen at some station, 0 where it
                             // was always hidden and is interpolated
  cv::Mat mount;             // CV_8U, 255 where something narrow stays on the axis at every
                             // station and enters the specimen from the image's edge: a pin
  cv::Mat occupied;          // CV_8U, 255 * share of surveyed stations at which specimen was seen
  double noise_at_zero = 0;  // variance = noise_at_zero + noise_per_level * level (sensor values)
  double noise_per_level = 0;
  double falloff = 0;  // darkest corner of the backdrop relative to its middle; 1 is even
  Separation separation;
  std::vector<Spot> spots;
  std::vector<std::size_t> images;  // the surveyed ones, as indices handed to the reader
  Findings findings;
};

}  // namespace trunnion
