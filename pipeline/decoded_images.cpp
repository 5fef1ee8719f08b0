#include "pipeline/decoded_images.h"

#include <algorithm>
#include <cctype>
#include <chrono>
#include <ctime>
#include <exception>
#include <string>
#include <utility>

namespace trunnion {
namespace {

namespace fs = std::filesystem;

// Of its pixels' bytes: a larger file is hardly compressed, and reading it takes no longer.
constexpr double kCompressed = 0.97;
constexpr double kThereAndBack = 2.2;  // writing and reading back, in times of writing
constexpr double kQuick = 0.5;         // of the time to decode: no other way need be tried

bool slow_to_decode(const fs::path& file, std::uintmax_t file_bytes, std::uintmax_t pixel_bytes) {
  std::string extension = file.extension().string();
  std::transform(extension.begin(), extension.end(), extension.begin(),
                 [](unsigned char c) { return static_cast<char>(std::tolower(c)); });
  const bool jpeg = extension == ".jpg" || extension == ".jpeg";
  return !jpeg && static_cast<double>(file_bytes) < kCompressed * static_cast<double>(pixel_bytes);
}

double seconds_now() {
  return std::chrono::duration<double>(std::chrono::steady_clock::now().time_since_epoch()).count();
}

}  // namespace

DecodedImages::DecodedImages(fs::path folder, std::uintmax_t reserve_bytes)
    : folder_(std::move(folder)), reserve_bytes_(reserve_bytes) {}

double thread_seconds() {
  timespec now{};
  ::clock_gettime(CLOCK_THREAD_CPUTIME_ID, &now);
  return static_cast<double>(now.tv_sec) + 1e-9 * static_cast<double>(now.tv_nsec);
}

bool DecodedImages::busy_with(const fs::path& file) const {
  return (writing_ && writing_->file == file) || reading_.contains(file);
}

void DecodedImages::keep(const fs::path& file, const cv::Mat& image, double decode_seconds,
                         bool and_wait) {
  const FileStamp stamp = stamp_of(file);
  if (!image.isContinuous() ||
      !slow_to_decode(file, stamp.bytes, image.total() * image.elemSize())) {
    return;
  }
  std::unique_lock lock(mutex_);
  done_.wait(lock, [this] { return !writing_; });
  writing_ = {file, stamp, image, decode_seconds};
  lock.unlock();  // to post may wait for the disk's thread, which needs the lock
  give_to_disk(file, [this] { write_out(); });
  if (!and_wait) return;
  lock.lock();
  done_.wait(lock, [&] { return !busy_with(file); });
}

// Nobody may wait for what was never posted.
void DecodedImages::give_to_disk(const fs::path& file, std::function<void()> work) {
  try {
    disk_.post(std::move(work));
  } catch (...) {
    {
      const std::scoped_lock lock(mutex_);
      if (writing_ && writing_->file == file) writing_.reset();
      reading_.erase(file);
    }
    done_.notify_all();
    throw;
  }
}

void DecodedImages::write_out() {
  try {
    try_to_write(*writing_);  // nobody else changes it until it is reset
  } catch (const std::exception&) {
    // Out of memory, say: it will be decoded again.
  }
  {
    const std::scoped_lock lock(mutex_);
    writing_.reset();
  }
  done_.notify_all();
}

// The way to write; none where decoding again is as fast as the fastest.
std::optional<bool> DecodedImages::direct_io(double decode_seconds, double bytes) const {
  const auto [through, past] = least_seconds_;
  const double there_and_back = kThereAndBack * bytes;
  if (past == 0 || there_and_back * past < kQuick * decode_seconds) return true;
  if (through == 0) return false;
  if (there_and_back * std::min(through, past) > decode_seconds) return std::nullopt;
  return past < through;
}

void DecodedImages::try_to_write(const Writing& writing) {
  const cv::Mat& image = writing.image;
  const std::uintmax_t bytes = image.total() * image.elemSize();
  const std::optional<bool> past = direct_io(writing.decode_seconds, static_cast<double>(bytes));
  if (!past) return;
  std::error_code code;
  const fs::space_info space = fs::space(folder_, code);
  if (code || space.available < reserve_bytes_ + 2 * bytes) return;
  const double begun = seconds_now();
  std::shared_ptr<AnonymousFile> pixels = AnonymousFile::create(folder_, *past);
  if (!pixels || !pixels->write(image)) return;
  const double took = (seconds_now() - begun) / static_cast<double>(bytes);
  double& least = least_seconds_.at(*past ? 1 : 0);
  least = least == 0 ? took : std::min(least, took);  // a stall says nothing of the next
  const std::scoped_lock lock(mutex_);
  kept_.insert_or_assign(writing.file, Kept{writing.stamp, std::move(pixels)});
}

void DecodedImages::read_ahead(const fs::path& file) {
  std::function<void()> work;
  {
    const std::scoped_lock lock(mutex_);
    const auto found = kept_.find(file);
    if (found == kept_.end()) return;
    work = [this, file, kept = found->second] { read_back(file, kept); };
    reading_.insert(file);
    kept_.erase(found);
  }
  give_to_disk(file, std::move(work));
}

void DecodedImages::read_back(const fs::path& file, const Kept& kept) {
  try {
    const cv::Mat image = kept.pixels->read();
    const std::scoped_lock lock(mutex_);
    if (!image.empty()) read_.insert_or_assign(file, Read{kept.stamp, image});
  } catch (const std::exception&) {
    // Out of memory, say: it will be decoded again.
  }
  {
    const std::scoped_lock lock(mutex_);
    reading_.erase(file);
  }
  done_.notify_all();
}

cv::Mat DecodedImages::take(const fs::path& file) {
  std::unique_lock lock(mutex_);
  done_.wait(lock, [&] { return !busy_with(file); });
  const auto kept = kept_.extract(file);
  auto read = read_.extract(file);
  lock.unlock();
  if (read.empty() && kept.empty()) return {};
  if (stamp_of(file) != (read.empty() ? kept.mapped().stamp : read.mapped().stamp)) return {};
  if (!read.empty()) return read.mapped().image;
  try {
    return kept.mapped().pixels->read();
  } catch (const std::exception&) {
    return {};  // for example out of memory: decoding reports it
  }
}

void DecodedImages::forget(const fs::path& file) {
  std::unique_lock lock(mutex_);
  done_.wait(lock, [&] { return !busy_with(file); });
  kept_.erase(file);
  read_.erase(file);
}

}  // namespace trunnion
