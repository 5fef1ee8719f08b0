// Static defects of the sensor from a set of images (see survey.h for the estimate).
#pragma once

#include <map>
#include <opencv2/core.hpp>
#include <optional>
#include <vector>

#include "config/settings.h"
#include "core/survey_result.h"
#include "stages/survey/search.h"
#include "stages/survey/stack.h"

namespace trunnion::survey {

struct DustOptions {
  double least_contrast = 0.025;   // just under what is worth a repair, so that none slips through
  double least_diameter_px = 2.0;  // smaller ones are noise or hot pixels
  double greatest_diameter_px = 48;  // larger ones belong to the backdrop
  double significance = 5.5;         // sigmas at the middle of a speck
  double least_hot = 0.03;           // light that a hot pixel adds, share of full scale
  std::size_t greatest_stations = kMostSurveyStations;  // kept: 2 bytes a pixel each
};

// What one station shows of the sensor, at 1/step of the image size.
struct DustStatistics {
  cv::Mat log;          // see static.h
  cv::Mat local;        // CV_32FC1, mean around
  cv::Mat whole;        // grey minus it
  cv::Mat activity;     // variance around
  double averaged = 1;  // values that a grey is the mean of
  double full_scale = 255;
};

DustStatistics dust_statistics(const cv::Mat& image);

struct DustFound {
  std::vector<Spot> spots;  // dust and hot pixels
  int doubtful = 0;         // places that more stations may prove to be specks, or not
};

// What all stations show.
class DustSearch {
 public:
  explicit DustSearch(const cv::Size& image, const DustOptions& options = {});
  // `station`: its place in the order of the set, each once.
  void add(std::size_t station, const DustStatistics& of_image, const NoiseModel& noise);
  [[nodiscard]] DustFound spots() const;

 private:
  struct Candidate {
    Spot spot;
    bool speck = true;  // else only credible where trails are many
  };
  [[nodiscard]] std::optional<Candidate> candidate_of(const FoundSpeck& found) const;
  [[nodiscard]] std::vector<Spot> hot_pixels() const;
  [[nodiscard]] std::vector<Spot> hot_pixels_of(int row) const;

  DustOptions options_;
  cv::Size image_;
  int step_ = 1;
  double full_scale_ = 255;
  std::map<std::size_t, cv::Mat> logs_;  // by station, see static.h
  LightNoise noise_;
  cv::Mat detail_;  // sum w h, for what adds light instead of dimming it
  cv::Mat weight_;  // sum w
};

// "34 spots, 3 over 20 px, worst at upper left: ..." or nothing where the sensor is clean.
Findings dust_advice(const std::vector<Spot>& spots, const cv::Size& image);

}  // namespace trunnion::survey
