#include "pipeline/decoded_images.h"

#include <fcntl.h>
#include <unistd.h>

#include <algorithm>
#include <chrono>
#include <cstring>
#include <ctime>
#include <exception>
#include <new>
#include <string>
#include <utility>

namespace trunnion {
namespace {

namespace fs = std::filesystem;

// Of its pixels' bytes: a larger file is hardly compressed, and reading it takes no longer.
constexpr double kCompressed = 0.97;
constexpr double kThereAndBack = 2.2;  // writing and reading back, in times of writing

bool slow_to_decode(const fs::path& file, std::uintmax_t file_bytes, std::uintmax_t pixel_bytes) {
  std::string extension = file.extension().string();
  std::transform(extension.begin(), extension.end(), extension.begin(),
                 [](unsigned char c) { return static_cast<char>(std::tolower(c)); });
  const bool jpeg = extension == ".jpg" || extension == ".jpeg";
  return !jpeg && static_cast<double>(file_bytes) < kCompressed * static_cast<double>(pixel_bytes);
}

// What goes past the system's memory must lie at whole pages, in memory and in the file.
constexpr std::size_t kPage = 4096;
constexpr std::size_t kChunk = 1024 * kPage;

class Chunk {
 public:
  Chunk() : bytes_(static_cast<char*>(::operator new (kChunk, std::align_val_t{kPage}))) {}
  ~Chunk() { ::operator delete (bytes_, std::align_val_t{kPage}); }
  Chunk(const Chunk&) = delete;
  Chunk& operator=(const Chunk&) = delete;
  [[nodiscard]] char* data() const { return bytes_; }

 private:
  char* bytes_;
};

std::size_t whole_pages(std::size_t bytes) {
  return (bytes + kPage - 1) / kPage * kPage;
}

// Without a name; past the system's memory where the file system can.
int open_nameless(const fs::path& folder) {
  constexpr int kFlags = O_TMPFILE | O_RDWR | O_CLOEXEC;
  const int direct = ::open(folder.c_str(), kFlags | O_DIRECT, 0600);
  return direct >= 0 ? direct : ::open(folder.c_str(), kFlags, 0600);
}

bool write_all(int descriptor, const cv::Mat& image) {
  const Chunk chunk;
  const std::size_t total = image.total() * image.elemSize();
  for (std::size_t done = 0; done < total; done += kChunk) {
    const std::size_t part = std::min(kChunk, total - done);
    std::memcpy(chunk.data(), image.data + done, part);
    std::memset(chunk.data() + part, 0, whole_pages(part) - part);
    const auto bytes = static_cast<ssize_t>(whole_pages(part));
    if (::pwrite(descriptor, chunk.data(), whole_pages(part), static_cast<off_t>(done)) != bytes) {
      return false;
    }
  }
  return true;
}

// Empty where they can't be read.
cv::Mat pixels_of(int descriptor, const cv::Size& size, int type) {
  const Chunk chunk;
  cv::Mat image(size, type);
  const std::size_t total = image.total() * image.elemSize();
  for (std::size_t done = 0; done < total; done += kChunk) {
    const std::size_t part = std::min(kChunk, total - done);
    const auto bytes = static_cast<ssize_t>(whole_pages(part));
    if (::pread(descriptor, chunk.data(), whole_pages(part), static_cast<off_t>(done)) != bytes) {
      return {};
    }
    std::memcpy(image.data + done, chunk.data(), part);
  }
  return image;
}

double seconds_now() {
  return std::chrono::duration<double>(std::chrono::steady_clock::now().time_since_epoch()).count();
}

}  // namespace

DecodedImages::DecodedImages(fs::path folder, std::uintmax_t reserve_bytes)
    : folder_(std::move(folder)), reserve_bytes_(reserve_bytes) {}

DecodedImages::~DecodedImages() {
  disk_.finish();
  for (const auto& [file, kept] : kept_) ::close(kept.descriptor);
}

double thread_seconds() {
  timespec now{};
  ::clock_gettime(CLOCK_THREAD_CPUTIME_ID, &now);
  return static_cast<double>(now.tv_sec) + 1e-9 * static_cast<double>(now.tv_nsec);
}

void DecodedImages::keep(const fs::path& file, const cv::Mat& image, double decode_seconds,
                         bool and_wait) {
  const FileStamp stamp = stamp_of(file);
  if (!image.isContinuous() ||
      !slow_to_decode(file, stamp.bytes, image.total() * image.elemSize())) {
    return;
  }
  std::unique_lock lock(mutex_);
  moved_.wait(lock, [this] { return !leaving_; });
  leaving_ = {file, {stamp, image}, decode_seconds};
  lock.unlock();  // to post may wait for the disk's thread, which needs the lock
  disk_.post([this] { write_out(); });
  if (!and_wait) return;
  lock.lock();
  moved_.wait(lock, [&] { return !leaving_ || leaving_->file != file; });
}

void DecodedImages::write_out() {
  try {
    try_to_write(*leaving_);  // nobody else changes it until it is reset
  } catch (const std::exception&) {
    // Out of memory, say: it will be decoded again.
  }
  {
    const std::scoped_lock lock(mutex_);
    leaving_.reset();
  }
  moved_.notify_all();
}

void DecodedImages::try_to_write(const Leaving& leaving) {
  const cv::Mat& image = leaving.pixels.image;
  const std::uintmax_t bytes = image.total() * image.elemSize();
  // Only this thread reads and sets how long writing takes.
  if (leaving.decode_seconds < kThereAndBack * write_seconds_ * static_cast<double>(bytes)) return;
  std::error_code code;
  const fs::space_info space = fs::space(folder_, code);
  if (code || space.available < reserve_bytes_ + 2 * bytes) return;
  const int descriptor = open_nameless(folder_);
  if (descriptor < 0) return;
  const double begun = seconds_now();
  if (!write_all(descriptor, image)) {
    ::close(descriptor);
    return;
  }
  write_seconds_ = (seconds_now() - begun) / static_cast<double>(bytes);
  const std::scoped_lock lock(mutex_);
  const auto [place, added] = kept_.try_emplace(
      leaving.file, Kept{descriptor, leaving.pixels.stamp, image.size(), image.type()});
  if (!added) ::close(descriptor);
}

void DecodedImages::read_ahead(const fs::path& file) {
  Kept kept;
  {
    const std::scoped_lock lock(mutex_);
    const auto found = kept_.find(file);
    if (found == kept_.end()) return;
    kept = found->second;
    kept_.erase(found);
    arriving_.insert(file);
  }
  disk_.post([this, file, kept] { read_back(file, kept); });
}

void DecodedImages::read_back(const fs::path& file, const Kept& kept) {
  cv::Mat image;
  try {
    image = pixels_of(kept.descriptor, kept.size, kept.type);
  } catch (const std::exception&) {
    // Out of memory, say: it will be decoded again.
  }
  ::close(kept.descriptor);
  {
    const std::scoped_lock lock(mutex_);
    arriving_.erase(file);
    if (!image.empty()) arrived_.try_emplace(file, Pixels{kept.stamp, image});
  }
  moved_.notify_all();
}

cv::Mat DecodedImages::take(const fs::path& file) {
  std::unique_lock lock(mutex_);
  moved_.wait(lock,
              [&] { return !(leaving_ && leaving_->file == file) && !arriving_.contains(file); });
  if (const auto arrived = arrived_.extract(file); !arrived.empty()) {
    return stamp_of(file) == arrived.mapped().stamp ? arrived.mapped().image : cv::Mat();
  }
  const auto found = kept_.find(file);
  if (found == kept_.end()) return {};
  const Kept kept = found->second;
  kept_.erase(found);
  lock.unlock();
  cv::Mat image;
  if (stamp_of(file) == kept.stamp) image = pixels_of(kept.descriptor, kept.size, kept.type);
  ::close(kept.descriptor);
  return image;
}

}  // namespace trunnion
