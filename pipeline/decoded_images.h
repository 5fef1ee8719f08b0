// Decoded images of the survey, kept for the pass that follows: a compressed 16-bit TIFF takes
// several times longer to decode than its pixels take to go through a file.
//
// The pixels wait in anonymous temporary files in the workspace's .trunnion folder. A separate
// thread writes and reads them with direct I/O (not through the page cache, since they are read
// only once), unless the disk is too slow for that. It is an optimisation: where space or memory is
// short, writing fails, or decoding takes no longer than writing and reading, the image is decoded
// again.
#pragma once

#include <array>
#include <condition_variable>
#include <filesystem>
#include <functional>
#include <map>
#include <memory>
#include <mutex>
#include <opencv2/core.hpp>
#include <optional>
#include <set>

#include "pipeline/anonymous_file.h"
#include "pipeline/disk_thread.h"
#include "pipeline/journal.h"

namespace trunnion {

class DecodedImages {
 public:
  // `reserve_bytes` of the disk are left alone: what the run is going to write.
  DecodedImages(std::filesystem::path folder, std::uintmax_t reserve_bytes);

  // Keeps the pixels of `file`, which must not be written to any more, where decoding them again
  // would take longer, `decode_seconds` being what it took. Waits until no others are being
  // written, and with `and_wait` until these are, which spares the memory of an image. Any thread.
  void keep(const std::filesystem::path& file, const cv::Mat& image, double decode_seconds,
            bool and_wait);

  // Begins to bring kept pixels back into memory, where they wait to be taken or forgotten. Any
  // thread.
  void read_ahead(const std::filesystem::path& file);

  // The pixels, which are then no longer kept; empty where they are not there or the file has
  // changed since. Any thread.
  cv::Mat take(const std::filesystem::path& file);

  // Lets go of the pixels. Any thread.
  void forget(const std::filesystem::path& file);

 private:
  struct Writing {
    std::filesystem::path file;
    FileStamp stamp;  // of the image file
    cv::Mat image;
    double decode_seconds = 0;
  };
  struct Kept {
    FileStamp stamp;  // of the image file
    std::shared_ptr<const AnonymousFile> pixels;
  };
  struct Read {
    FileStamp stamp;  // of the image file
    cv::Mat image;
  };
  void give_to_disk(const std::filesystem::path& file, std::function<void()> work);
  void write_out();
  void try_to_write(const Writing& writing);
  [[nodiscard]] std::optional<bool> direct_io(double decode_seconds, double bytes) const;
  void read_back(const std::filesystem::path& file, const Kept& kept);
  [[nodiscard]] bool busy_with(const std::filesystem::path& file) const;

  std::filesystem::path folder_;
  std::uintmax_t reserve_bytes_;
  std::array<double, 2> least_seconds_{};  // to write a byte through the system's memory, past it
  std::mutex mutex_;
  std::condition_variable done_;  // something was written or read
  std::optional<Writing> writing_;
  std::map<std::filesystem::path, Kept> kept_;
  std::set<std::filesystem::path> reading_;
  std::map<std::filesystem::path, Read> read_;
  DiskThread disk_{1};  // last: what it does ends before anything it needs
};

// CPU time of the calling thread, s.
double thread_seconds();

}  // namespace trunnion
