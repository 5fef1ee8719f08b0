// Decoded images of the survey, kept for the pass that follows: a compressed 16-bit TIFF takes
// several times longer to decode than its pixels take to go through a file.
//
// The pixels wait in files without a name below the workspace's state, so nothing is left behind
// however the run ends. A thread of its own writes and reads them, past the system's memory where
// the file system can: what is read once need not fill it. It is a convenience: where space is
// short, writing fails, or decoding takes no longer than writing and reading back, the image is
// decoded again.
#pragma once

#include <condition_variable>
#include <filesystem>
#include <map>
#include <mutex>
#include <opencv2/core.hpp>
#include <optional>
#include <set>

#include "pipeline/disk_thread.h"
#include "pipeline/journal.h"

namespace trunnion {

class DecodedImages {
 public:
  // `reserve_bytes` of the disk are left alone: what the run is going to write.
  DecodedImages(std::filesystem::path folder, std::uintmax_t reserve_bytes);
  ~DecodedImages();
  DecodedImages(const DecodedImages&) = delete;
  DecodedImages& operator=(const DecodedImages&) = delete;

  // Keeps the pixels of `file`, which must not be written to any more, where decoding them again
  // would take longer, `decode_seconds` being what it took. Waits until no others are being
  // written, and with `and_wait` until these are, which spares the memory of an image. Any thread.
  void keep(const std::filesystem::path& file, const cv::Mat& image, double decode_seconds,
            bool and_wait);

  // Begins to bring kept pixels back into memory, where they then wait to be taken. Any thread.
  void read_ahead(const std::filesystem::path& file);

  // The pixels, which are then no longer kept; empty where they are not there or the file has
  // changed since. Any thread.
  cv::Mat take(const std::filesystem::path& file);

 private:
  struct Pixels {
    FileStamp stamp;  // of the image file
    cv::Mat image;
  };
  struct Leaving {
    std::filesystem::path file;
    Pixels pixels;
    double decode_seconds = 0;
  };
  struct Kept {
    int descriptor = -1;
    FileStamp stamp;  // of the image file
    cv::Size size;
    int type = 0;
  };
  void write_out();
  void try_to_write(const Leaving& leaving);
  void read_back(const std::filesystem::path& file, const Kept& kept);

  std::filesystem::path folder_;
  std::uintmax_t reserve_bytes_;
  std::mutex mutex_;
  std::condition_variable moved_;   // between memory and files
  double write_seconds_ = 0;        // a byte, of the last one written
  std::optional<Leaving> leaving_;  // being written
  std::map<std::filesystem::path, Kept> kept_;
  std::set<std::filesystem::path> arriving_;         // being read
  std::map<std::filesystem::path, Pixels> arrived_;  // in memory
  DiskThread disk_{4};
};

// CPU time of the calling thread, s.
double thread_seconds();

}  // namespace trunnion
