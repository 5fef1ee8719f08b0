// Static defects of the sensor from a set of images (see survey.h for the estimate).
#pragma once

#include <opencv2/core.hpp>
#include <vector>

#include "core/survey_result.h"
#include "stages/survey_stack.h"

namespace trunnion {

struct DustOptions {
  double least_contrast = 0.025;   // just under what is worth a repair, so that none slips through
  double least_diameter_px = 2.0;  // smaller ones are noise or hot pixels
  double greatest_diameter_px = 48;    // larger ones belong to the backdrop
  double significance = 5.0;           // sigmas at the middle of a speck
  double least_hot = 0.03;             // light that a hot pixel adds, share of full scale
  std::size_t greatest_stations = 24;  // remembered: 2 bytes a pixel and station
};

// What one station shows of the sensor, at 1/step of the image size.
struct DustSight {
  cv::Mat grey;      // CV_32FC1
  cv::Mat local;     // mean around
  cv::Mat activity;  // variance around
  int channels = 3;
  double full_scale = 255;
  std::vector<cv::Mat> shades;  // at the scales of DustLook
  std::vector<cv::Mat> unrest;
};

DustSight look_for_dust(const cv::Mat& image);

// What all stations show.
class DustLook {
 public:
  explicit DustLook(const cv::Size& image, const DustOptions& options = {});
  void add(const DustSight& sight, const NoiseModel& noise);
  [[nodiscard]] std::vector<Spot> spots() const;  // dust and hot pixels

 private:
  // Specks up to some size: how much darker than its surround each pixel is, station by station.
  struct Scale {
    int shrink = 1;        // of the image whose median is the surround
    double smooth_px = 1;  // sigma of the matched filter
    double least_px = 0;   // diameters that this scale is the one to tell of
    double greatest_px = 0;
    std::vector<cv::Mat> stations;  // CV_8U, see kZero and kStep
    std::vector<cv::Mat> unrest;    // CV_32FC1 at 1/shrink, how much goes on around
  };
  struct Candidate {
    Spot spot;
    bool speck = true;  // else only credible where trails are many
  };
  [[nodiscard]] std::vector<Candidate> spots_of(const Scale& scale) const;
  [[nodiscard]] std::vector<Spot> hot_pixels() const;

  DustOptions options_;
  cv::Size image_;
  int step_ = 1;
  int count_ = 0;
  double full_scale_ = 255;
  std::vector<Scale> scales_;
  cv::Mat detail_;  // sum w h, for what adds light instead of dimming it
  cv::Mat weight_;  // sum w
};

// "34 spots, 3 over 20 px, worst at upper left: ..." or nothing where the sensor is clean.
Findings dust_advice(const std::vector<Spot>& spots, const cv::Size& image);

}  // namespace trunnion
