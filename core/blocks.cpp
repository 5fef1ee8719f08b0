#include "core/blocks.h"

#include <algorithm>
#include <cstdint>
#include <cstring>
#include <limits>
#include <vector>

#include "core/row_sums.h"
#include "core/vector_code.h"

namespace trunnion {
namespace {

template <typename T>
[[gnu::always_inline]] inline void fold(const T* __restrict row, std::size_t count,
                                        std::uint32_t* __restrict sum, T* __restrict least,
                                        T* __restrict most) {
  for (std::size_t i = 0; i < count; ++i) {
    sum[i] += row[i];
    least[i] = std::min(least[i], row[i]);
    most[i] = std::max(most[i], row[i]);
  }
}

TRUNNION_VECTOR_CODE
void fold_row(const std::uint8_t* row, std::size_t count, std::uint32_t* sum, std::uint8_t* least,
              std::uint8_t* most) {
  fold(row, count, sum, least, most);
}

TRUNNION_VECTOR_CODE
void fold_row(const std::uint16_t* row, std::size_t count, std::uint32_t* sum, std::uint16_t* least,
              std::uint16_t* most) {
  fold(row, count, sum, least, most);
}

// Running sums, minima and maxima of the columns of one row of blocks.
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
};

template <typename T>
void fold_columns(const RowFold<T>& fold, int channels, int rows, int width, int j,
                  BlockValues& out) {
  auto* mean = out.mean.ptr<cv::Vec3f>(j);
  auto* least = out.least.ptr<cv::Vec3f>(j);
  auto* most = out.most.ptr<cv::Vec3f>(j);
  const auto wide = static_cast<std::size_t>(channels);
  for (int i = 0; i < out.mean.cols; ++i) {
    const int columns = std::min(out.side, width - i * out.side);
    const std::size_t first = static_cast<std::size_t>(i * out.side) * wide;
    const double share = 1.0 / (columns * rows);
    for (std::size_t c = 0; c < 3; ++c) {
      const std::size_t from = first + (channels == 1 ? 0 : c);
      std::uint64_t sum = 0;
      T lo = std::numeric_limits<T>::max();
      T hi = 0;
      for (int x = 0; x < columns; ++x) {
        const std::size_t at = from + static_cast<std::size_t>(x) * wide;
        sum += fold.sum[at];
        lo = std::min(lo, fold.least[at]);
        hi = std::max(hi, fold.most[at]);
      }
      const int channel = static_cast<int>(c);
      mean[i][channel] = static_cast<float>(static_cast<double>(sum) * share);
      least[i][channel] = static_cast<float>(lo);
      most[i][channel] = static_cast<float>(hi);
    }
  }
}

template <typename T>
void fill(const cv::Mat& image, BlockValues& out) {
  const int side = out.side;
  const auto count = static_cast<std::size_t>(image.cols * image.channels());
  RowFold<T> fold(count);
  for (int j = 0; j < out.mean.rows; ++j) {
    fold.clear();
    const int y1 = std::min(image.rows, j * side + side);
    for (int y = j * side; y < y1; ++y) {
      fold_row(image.ptr<T>(y), count, fold.sum.data(), fold.least.data(), fold.most.data());
    }
    fold_columns(fold, image.channels(), y1 - j * side, image.cols, j, out);
  }
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

cv::Mat any_in_blocks(const cv::Mat& mask, int side) {
  CV_Assert(mask.type() == CV_8UC1);
  const cv::Size blocks((mask.cols + side - 1) / side, (mask.rows + side - 1) / side);
  cv::Mat any = cv::Mat::zeros(blocks, CV_8U);
  for (int y = 0; y < mask.rows; ++y) {
    const auto* row = mask.ptr<std::uint8_t>(y);
    auto* out = any.ptr<std::uint8_t>(y / side);
    for (int i = 0; i < blocks.width; ++i) {
      const int begin = i * side;
      const auto width = static_cast<std::size_t>(std::min(side, mask.cols - begin));
      if (out[i] == 0 && std::memchr(row + begin, 255, width) != nullptr) out[i] = 255;
    }
  }
  return any;
}

int block_side(const cv::Size& size, int longest) {
  const int side = (std::max(size.width, size.height) + longest - 1) / longest;
  return std::clamp(side, 1, 64);
}

}  // namespace trunnion
