#include "pipeline/anonymous_file.h"

#include <fcntl.h>
#include <unistd.h>

#include <algorithm>
#include <cstring>
#include <new>

namespace trunnion {
namespace {

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

}  // namespace

std::unique_ptr<AnonymousFile> AnonymousFile::create(const std::filesystem::path& folder,
                                                     bool direct_io) {
  constexpr int kFlags = O_TMPFILE | O_RDWR | O_CLOEXEC;
  int descriptor = -1;
  if (direct_io) descriptor = ::open(folder.c_str(), kFlags | O_DIRECT, 0600);
  if (descriptor < 0) descriptor = ::open(folder.c_str(), kFlags, 0600);
  if (descriptor < 0) return nullptr;
  return std::unique_ptr<AnonymousFile>(new AnonymousFile(descriptor));
}

AnonymousFile::~AnonymousFile() {
  ::close(descriptor_);
}

bool AnonymousFile::write(const cv::Mat& image) {
  CV_Assert(image.isContinuous());
  size_ = image.size();
  type_ = image.type();
  if (write_all(image)) return true;
  // Some file systems take the flag and refuse the writing.
  const int flags = ::fcntl(descriptor_, F_GETFL);
  return flags >= 0 && (flags & O_DIRECT) != 0 &&
         ::fcntl(descriptor_, F_SETFL, flags & ~O_DIRECT) == 0 && write_all(image);
}

bool AnonymousFile::write_all(const cv::Mat& image) const {
  const Chunk chunk;
  const std::size_t total = image.total() * image.elemSize();
  for (std::size_t done = 0; done < total; done += kChunk) {
    const std::size_t part = std::min(kChunk, total - done);
    std::memcpy(chunk.data(), image.data + done, part);
    std::memset(chunk.data() + part, 0, whole_pages(part) - part);
    const auto bytes = static_cast<ssize_t>(whole_pages(part));
    if (::pwrite(descriptor_, chunk.data(), whole_pages(part), static_cast<off_t>(done)) != bytes) {
      return false;
    }
  }
  return true;
}

cv::Mat AnonymousFile::read() const {
  const Chunk chunk;
  cv::Mat image(size_, type_);
  const std::size_t total = image.total() * image.elemSize();
  for (std::size_t done = 0; done < total; done += kChunk) {
    const std::size_t part = std::min(kChunk, total - done);
    const auto bytes = static_cast<ssize_t>(whole_pages(part));
    if (::pread(descriptor_, chunk.data(), whole_pages(part), static_cast<off_t>(done)) != bytes) {
      return {};
    }
    std::memcpy(image.data + done, chunk.data(), part);
  }
  return image;
}

}  // namespace trunnion
