#include "core/blocks.h"

#include <algorithm>
#include <array>
#include <cstdint>
#include <limits>
#include <vector>

namespace trunnion {
namespace {

// Folds `rows` image rows into running sums, minima and maxima; plain loops over contiguous values
// that the compiler turns into vector code.
template <typename T>
struct RowFold {
  std::vector<std::uint32_t> sum;
  std::vector<T> least;
  std::vector<T> most;

  explicit RowFold(std::size_t values) : sum(values), least(values), most(values) {}

  void clear() {
    std::fill(sum.begin(), sum.end(), 0U);
    std::fill(least.begin(), least.end(), std::numeric_limits<T>::max());
    std::fill(most.begin(), most.end(), T{0});
  }
  void add(const T* row) {
    const std::size_t count = sum.size();
    std::uint32_t* s = sum.data();
    T* lo = least.data();
    T* hi = most.data();
    for (std::size_t i = 0; i < count; ++i) {
      s[i] += row[i];
      lo[i] = std::min(lo[i], row[i]);
      hi[i] = std::max(hi[i], row[i]);
    }
  }
};

template <typename T>
void fold_columns(const RowFold<T>& fold, int channels, int side, int rows, int width, int j,
                  BlockValues& out) {
  auto* mean = out.mean.ptr<cv::Vec3f>(j);
  auto* least = out.least.ptr<cv::Vec3f>(j);
  auto* most = out.most.ptr<cv::Vec3f>(j);
  const int used = channels == 1 ? 1 : 3;
  for (int i = 0; i < out.mean.cols; ++i) {
    const int x0 = i * side;
    const int x1 = std::min(width, x0 + side);
    for (int c = 0; c < used; ++c) {
      std::uint64_t sum = 0;
      T lo = std::numeric_limits<T>::max();
      T hi = 0;
      for (int x = x0; x < x1; ++x) {
        const auto at = static_cast<std::size_t>(x * channels + c);
        sum += fold.sum[at];
        lo = std::min(lo, fold.least[at]);
        hi = std::max(hi, fold.most[at]);
      }
      mean[i][c] = static_cast<float>(static_cast<double>(sum) / ((x1 - x0) * rows));
      least[i][c] = static_cast<float>(lo);
      most[i][c] = static_cast<float>(hi);
    }
    for (int c = used; c < 3; ++c) {
      mean[i][c] = mean[i][0];
      least[i][c] = least[i][0];
      most[i][c] = most[i][0];
    }
  }
}

template <typename T>
void fill(const cv::Mat& image, BlockValues& out) {
  const int side = out.side;
  RowFold<T> fold(static_cast<std::size_t>(image.cols * image.channels()));
  for (int j = 0; j < out.mean.rows; ++j) {
    fold.clear();
    const int y1 = std::min(image.rows, j * side + side);
    for (int y = j * side; y < y1; ++y) fold.add(image.ptr<T>(y));
    fold_columns(fold, image.channels(), side, y1 - j * side, image.cols, j, out);
  }
}

template <typename T>
void add_row(const T* __restrict row, std::size_t count, std::uint32_t* __restrict sum) {
  for (std::size_t i = 0; i < count; ++i) sum[i] += row[i];
}

template <typename T>
void fill_means(const cv::Mat& image, int side, cv::Mat& mean) {
  const int channels = image.channels();
  const int used = channels == 1 ? 1 : 3;
  std::vector<std::uint32_t> sums(static_cast<std::size_t>(image.cols * channels));
  for (int j = 0; j < mean.rows; ++j) {
    std::fill(sums.begin(), sums.end(), 0U);
    const int y1 = std::min(image.rows, j * side + side);
    for (int y = j * side; y < y1; ++y) add_row(image.ptr<T>(y), sums.size(), sums.data());
    const int rows = y1 - j * side;
    auto* out = mean.ptr<cv::Vec3f>(j);
    for (int i = 0; i < mean.cols; ++i) {
      const int x0 = i * side;
      const int x1 = std::min(image.cols, x0 + side);
      for (int c = 0; c < 3; ++c) {
        if (c >= used) {
          out[i][c] = out[i][0];
          continue;
        }
        std::uint64_t sum = 0;
        for (int x = x0; x < x1; ++x) sum += sums[static_cast<std::size_t>(x * channels + c)];
        out[i][c] = static_cast<float>(static_cast<double>(sum) / ((x1 - x0) * rows));
      }
    }
  }
}

}  // namespace

cv::Mat block_means(const cv::Mat& image, int side) {
  CV_Assert(side >= 1 && side <= 64);
  cv::Mat mean((image.rows + side - 1) / side, (image.cols + side - 1) / side, CV_32FC3);
  if (image.depth() == CV_16U) {
    fill_means<std::uint16_t>(image, side, mean);
  } else {
    CV_Assert(image.depth() == CV_8U);
    fill_means<std::uint8_t>(image, side, mean);
  }
  return mean;
}

BlockValues block_values(const cv::Mat& image, int side) {
  CV_Assert(side >= 1 && side <= 64);
  const cv::Size size((image.cols + side - 1) / side, (image.rows + side - 1) / side);
  BlockValues out{side, cv::Mat(size, CV_32FC3), cv::Mat(size, CV_32FC3), cv::Mat(size, CV_32FC3)};
  if (image.depth() == CV_16U) {
    fill<std::uint16_t>(image, out);
  } else {
    CV_Assert(image.depth() == CV_8U);
    fill<std::uint8_t>(image, out);
  }
  return out;
}

int block_side(const cv::Size& size, int longest) {
  const int side = (std::max(size.width, size.height) + longest - 1) / longest;
  return std::clamp(side, 1, 64);
}

}  // namespace trunnion
