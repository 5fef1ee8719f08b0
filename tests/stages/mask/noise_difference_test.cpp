#include "stages/mask/noise_difference.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <vector>

#include "tests/support/even_survey.h"

namespace trunnion::mask {
namespace noise_difference_test {

// Bilinear between the middles of blocks, from their definition.
double between_blocks(const cv::Mat& blocks, int side, int x, int y, int c) {
  const auto along = [side](int at, int count) {
    return std::clamp((at + 0.5) / side - 0.5, 0.0, count - 1.0);
  };
  const double u = along(x, blocks.cols);
  const double v = along(y, blocks.rows);
  double sum = 0;
  for (int j = 0; j < blocks.rows; ++j) {
    for (int i = 0; i < blocks.cols; ++i) {
      const double share = std::max(0.0, 1 - std::abs(u - i)) * std::max(0.0, 1 - std::abs(v - j));
      if (share > 0) sum += share * blocks.at<cv::Vec3f>(j, i)[c];
    }
  }
  return sum;
}

TEST(NoiseDifference, IsThatOfEveryPixelOnItsOwn) {
  cv::RNG random(5);
  for (const int type : {CV_8UC1, CV_8UC3, CV_8UC4, CV_16UC1, CV_16UC3, CV_16UC4}) {
    for (const int side : {1, 4, 7}) {
      for (const cv::Size size : {cv::Size(29, 22), cv::Size(28, 28), cv::Size(3, 2)}) {
        SCOPED_TRACE(cv::format("type %d, side %d, %d x %d", type, side, size.width, size.height));
        const bool deep = CV_MAT_DEPTH(type) == CV_16U;
        SurveyResult survey = test::even_survey(size, side, cv::Scalar::all(0));
        survey.full_scale = deep ? 65535 : 255;
        survey.noise.at_zero = deep ? 9e3 : 0.4;
        survey.noise.per_level = deep ? 3.0 : 0.02;
        random.fill(survey.backdrop, cv::RNG::UNIFORM, 0, survey.full_scale);
        cv::Mat image(size, type);
        random.fill(image, cv::RNG::UNIFORM, 0, survey.full_scale + 1);
        BlockContrast blocks;
        blocks.side = side;
        blocks.backdrop = survey.backdrop;
        cv::Mat inverse(blocks.backdrop.size(), CV_32FC3);
        for (int k = 0; k < static_cast<int>(inverse.total()) * 3; ++k) {
          const double level = blocks.backdrop.ptr<float>()[k];
          inverse.ptr<float>()[k] =
              static_cast<float>(survey.full_scale / std::sqrt(survey.noise.variance(level)));
        }
        const cv::Rect box = cv::Rect(1, 1, 19, 20) & cv::Rect({0, 0}, size);
        NoiseDifference difference(image, box, blocks, survey);
        // In no order, and from the middle of a row: rows are remembered by pairs.
        for (const int wanted : {0, 1, 2, 9, 8, 19, 0, 18, 19, 3}) {
          const int y = std::min(wanted, box.height - 1);
          const int begin = std::min(wanted % 3, box.width - 1);
          std::vector<float> z(3 * static_cast<std::size_t>(box.width - begin), 1e9F);
          difference.row(y, begin, box.width, z.data());
          for (int x = begin; x < box.width; ++x) {
            for (int c = 0; c < 3; ++c) {
              const int from = (box.x + x) * image.channels() + (image.channels() == 1 ? 0 : c);
              const double value =
                  deep ? image.ptr<ushort>(box.y + y)[from] : image.ptr<uchar>(box.y + y)[from];
              const double behind = between_blocks(blocks.backdrop, side, box.x + x, box.y + y, c);
              const double expected = (value - behind) / survey.full_scale *
                                      between_blocks(inverse, side, box.x + x, box.y + y, c);
              ASSERT_NEAR(z[static_cast<std::size_t>(3 * (x - begin) + c)], expected,
                          1e-3 + 1e-4 * std::abs(expected))
                  << x << ' ' << y << ' ' << c;
            }
          }
        }
      }
    }
  }
}

}  // namespace noise_difference_test
}  // namespace trunnion::mask
