// The pixels of one image in an anonymous temporary file, removed however the run ends.
#pragma once

#include <filesystem>
#include <memory>
#include <opencv2/core.hpp>

namespace trunnion {

class AnonymousFile {
 public:
  // Below `folder`; null where none can be had. `direct_io`: what is written is not copied into
  // the system's memory on its way, where the file system can do without.
  static std::unique_ptr<AnonymousFile> create(const std::filesystem::path& folder, bool direct_io);
  ~AnonymousFile();
  AnonymousFile(const AnonymousFile&) = delete;
  AnonymousFile& operator=(const AnonymousFile&) = delete;

  // Continuous pixels, once. False where they can't be written.
  bool write(const cv::Mat& image);
  // Those pixels; empty where they can't be read.
  [[nodiscard]] cv::Mat read() const;

 private:
  explicit AnonymousFile(int descriptor) : descriptor_(descriptor) {}
  [[nodiscard]] bool write_all(const cv::Mat& image) const;

  int descriptor_;
  cv::Size size_;
  int type_ = 0;
};

}  // namespace trunnion
