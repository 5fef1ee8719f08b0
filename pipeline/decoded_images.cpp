#include "pipeline/decoded_images.h"

#include <fcntl.h>
#include <unistd.h>

#include <algorithm>
#include <ctime>
#include <string>
#include <utility>
#include <vector>

namespace trunnion {
namespace {

namespace fs = std::filesystem;

// Of its pixels' bytes: a larger file is hardly compressed, and reading it takes no longer.
constexpr double kCompressed = 0.97;
constexpr double kThereAndBack = 1.2;  // writing and reading back, in times of writing

bool slow_to_decode(const fs::path& file, std::uintmax_t file_bytes, std::uintmax_t pixel_bytes) {
  std::string extension = file.extension().string();
  std::transform(extension.begin(), extension.end(), extension.begin(),
                 [](unsigned char c) { return static_cast<char>(std::tolower(c)); });
  const bool jpeg = extension == ".jpg" || extension == ".jpeg";
  return !jpeg && static_cast<double>(file_bytes) < kCompressed * static_cast<double>(pixel_bytes);
}

bool write_all(int descriptor, const cv::Mat& image) {
  const auto* at = reinterpret_cast<const char*>(image.data);
  std::size_t left = image.total() * image.elemSize();
  while (left > 0) {
    const ssize_t done = ::write(descriptor, at, left);
    if (done <= 0) return false;
    at += done;
    left -= static_cast<std::size_t>(done);
  }
  return true;
}

bool read_all(int descriptor, cv::Mat& image) {
  auto* at = reinterpret_cast<char*>(image.data);
  const std::size_t total = image.total() * image.elemSize();
  for (std::size_t done = 0; done < total;) {
    const ssize_t got = ::pread(descriptor, at + done, total - done, static_cast<off_t>(done));
    if (got <= 0) return false;
    done += static_cast<std::size_t>(got);
  }
  return true;
}

}  // namespace

DecodedImages::DecodedImages(fs::path folder, std::uintmax_t reserve_bytes)
    : folder_(std::move(folder)), reserve_bytes_(reserve_bytes) {}

DecodedImages::~DecodedImages() {
  for (const auto& [file, kept] : kept_) ::close(kept.descriptor);
}

double thread_seconds() {
  timespec now{};
  ::clock_gettime(CLOCK_THREAD_CPUTIME_ID, &now);
  return static_cast<double>(now.tv_sec) + 1e-9 * static_cast<double>(now.tv_nsec);
}

void DecodedImages::keep(const fs::path& file, const cv::Mat& image, double decode_seconds,
                         std::size_t in_memory) {
  const FileStamp stamp = stamp_of(file);
  if (!image.isContinuous() ||
      !slow_to_decode(file, stamp.bytes, image.total() * image.elemSize())) {
    return;
  }
  std::vector<Waiting> oldest;
  {
    const std::scoped_lock lock(mutex_);
    waiting_.push_back({file, stamp, image, decode_seconds});
    while (waiting_.size() > in_memory) {
      oldest.push_back(std::move(waiting_.front()));
      waiting_.pop_front();
    }
  }
  for (Waiting& one : oldest) {
    write_out(one);
    one.image.release();
  }
}

void DecodedImages::write_out(const Waiting& oldest) {
  const cv::Mat& image = oldest.image;
  const std::uintmax_t bytes = image.total() * image.elemSize();
  {
    const std::scoped_lock lock(mutex_);
    if (oldest.decode_seconds < kThereAndBack * write_seconds_ * static_cast<double>(bytes)) return;
  }
  std::error_code code;
  const fs::space_info space = fs::space(folder_, code);
  if (code || space.available < reserve_bytes_ + 2 * bytes) return;
  const int descriptor = ::open(folder_.c_str(), O_TMPFILE | O_RDWR | O_CLOEXEC, 0600);
  if (descriptor < 0) return;
  const double begun = thread_seconds();
  if (!write_all(descriptor, image)) {
    ::close(descriptor);
    return;
  }
  const double took = thread_seconds() - begun;
  const std::scoped_lock lock(mutex_);
  write_seconds_ = took / static_cast<double>(bytes);
  const auto [place, added] =
      kept_.try_emplace(oldest.file, Kept{descriptor, oldest.stamp, image.size(), image.type()});
  if (!added) ::close(descriptor);
}

std::deque<DecodedImages::Waiting>::iterator DecodedImages::waiting(const fs::path& file) {
  return std::find_if(waiting_.begin(), waiting_.end(),
                      [&](const Waiting& one) { return one.file == file; });
}

bool DecodedImages::in_memory(const fs::path& file) {
  const std::scoped_lock lock(mutex_);
  return waiting(file) != waiting_.end();
}

cv::Mat DecodedImages::take(const fs::path& file) {
  Kept kept;
  {
    const std::scoped_lock lock(mutex_);
    const auto held = waiting(file);
    if (held != waiting_.end()) {
      const Waiting one = std::move(*held);
      waiting_.erase(held);
      return stamp_of(file) == one.stamp ? one.image : cv::Mat();
    }
    const auto found = kept_.find(file);
    if (found == kept_.end()) return {};
    kept = found->second;
    kept_.erase(found);
  }
  cv::Mat image;
  if (stamp_of(file) == kept.stamp) {
    image.create(kept.size, kept.type);
    if (!read_all(kept.descriptor, image)) image.release();
  }
  ::close(kept.descriptor);
  return image;
}

}  // namespace trunnion
