// Alignment of tie points on views of one texture, foreshortened, dimmed and noisy, whose true
// correspondence is the affine map that made them.
#include "stages/refine/align.h"

#include <gtest/gtest.h>

#include <array>
#include <cmath>
#include <opencv2/imgproc.hpp>
#include <random>

#include "core/camera.h"
#include "stages/refine/match.h"

namespace trunnion::refine {
namespace align_test {

constexpr int kSide = 240;

cv::Mat texture(unsigned seed) {
  cv::Mat noise(kSide, kSide, CV_32F);
  std::mt19937 random(seed);
  std::normal_distribution<float> normal;
  for (int y = 0; y < kSide; ++y) {
    for (int x = 0; x < kSide; ++x) noise.at<float>(y, x) = normal(random);
  }
  cv::GaussianBlur(noise, noise, {}, 2.0);
  cv::normalize(noise, noise, 40, 210, cv::NORM_MINMAX);
  return noise;
}

// The texture through an affine map, dimmed, with noise; all of it specimen.
ImageFeatures view_of(const cv::Mat& picture, const cv::Matx23d& map, double gain, unsigned seed) {
  cv::Mat warped;
  cv::warpAffine(picture, warped, map, picture.size(), cv::INTER_CUBIC, cv::BORDER_REFLECT);
  cv::Mat noise(warped.size(), CV_32F);
  std::mt19937 random(seed);
  std::normal_distribution<float> normal;
  for (auto it = noise.begin<float>(); it != noise.end<float>(); ++it) *it = normal(random);
  ImageFeatures features;
  features.width_px = features.height_px = 2 * kSide;
  features.level_scale = 2.0;
  features.level_step_px = {2.0, 2.0};
  features.level_first_px = {0.5, 0.5};
  cv::Mat(warped * gain + noise).convertTo(features.level, CV_8U);
  features.level |= 1;
  return features;
}

struct Scene3 {
  std::vector<ImageFeatures> views;
  std::vector<Track> tracks;
  std::vector<Eigen::Vector2d> truth;  // in the last view, image px
};

// Blobs found 0.4 level pixels (0.8 of the image's) beside their place in the last view.
Scene3 scene() {
  Scene3 s;
  const cv::Mat picture = texture(1);
  const std::array<cv::Matx23d, 3> maps{cv::Matx23d(1, 0, 0, 0, 1, 0),
                                        cv::Matx23d(1, 0, 0, 0, 1, 0),
                                        cv::Matx23d(0.86, 0.03, 9.3, -0.02, 0.98, 4.7)};
  for (unsigned v = 0; v < 3; ++v) s.views.push_back(view_of(picture, maps[v], 1.0 - 0.2 * v, v));
  for (int y = 60; y < kSide - 60; y += 17) {
    for (int x = 60; x < kSide - 60; x += 17) {
      Track track;
      for (std::size_t v = 0; v < 3; ++v) {
        const cv::Vec2d at = maps[v] * cv::Vec3d(x, y, 1);
        const cv::Point2d image = s.views[v].from_level({at[0], at[1]});
        if (v == 2) s.truth.emplace_back(image.x, image.y);
        Feature blob;
        blob.x_px = static_cast<float>(image.x + (v == 2 ? 0.8 : 0.0));
        blob.y_px = static_cast<float>(image.y - (v == 2 ? 0.3 : 0.0));
        blob.scale_px = 8.0F;
        track.views.push_back(
            {v, static_cast<int>(s.views[v].points.size()), {blob.x_px, blob.y_px}});
        s.views[v].points.push_back(blob);
      }
      s.tracks.push_back(track);
    }
  }
  return s;
}

const Camera kCamera{Projection::perspective, 2 * kSide, 2 * kSide, 5000, 5000, 239.5, 239.5, {}};

FeatureReader reader_of(const std::vector<ImageFeatures>& views) {
  return [&views](std::size_t view) { return views.at(view); };
}

TEST(RefineAlign, FindsThePlaceThatBlobsMiss) {
  const Scene3 s = scene();
  const std::vector<Track> aligned = align_tracks(s.tracks, reader_of(s.views), kCamera);
  ASSERT_GT(aligned.size(), s.tracks.size() * 8 / 10);
  double squares = 0;
  int count = 0;
  for (const Track& track : aligned) {
    for (const TrackView& seen : track.views) {
      if (seen.view != 2) continue;
      const auto which = static_cast<std::size_t>(seen.feature);
      squares += (seen.at_px - s.truth[which]).squaredNorm();
      ++count;
    }
  }
  ASSERT_GT(count, 0);
  // Blobs were 0.85 px off.
  EXPECT_LE(std::sqrt(squares / count), 0.08);
}

TEST(RefineAlign, DropsWhatDoesNotFit) {
  Scene3 s = scene();
  s.views[2] = view_of(texture(2), cv::Matx23d(1, 0, 0, 0, 1, 0), 1.0, 9);  // another surface
  s.views[2].points = scene().views[2].points;
  std::size_t kept = 0;
  for (const Track& track : align_tracks(s.tracks, reader_of(s.views), kCamera)) {
    for (const TrackView& seen : track.views) kept += seen.view == 2 ? 1 : 0;
  }
  EXPECT_LE(kept, s.tracks.size() / 20);
}

TEST(RefineAlign, LeavesPositionsWithoutALevelAlone) {
  Scene3 s = scene();
  for (ImageFeatures& view : s.views) view.level.release();
  const std::vector<Track> same = align_tracks(s.tracks, reader_of(s.views), kCamera);
  ASSERT_EQ(same.size(), s.tracks.size());
  EXPECT_EQ(same[3].views[2].at_px, s.tracks[3].views[2].at_px);
}

}  // namespace align_test
}  // namespace trunnion::refine
