// Strokes of the desk on the painted masks of one station (pipeline/painted_mask.h): 8-bit grey PNG
// beside the fused image, each written whole before the next stroke begins. The files are the
// truth: what another program painted meanwhile is painted upon, never lost.
//
// Undo and redo are kept apart by the page that painted, so that two pages don't take back each
// other's strokes; the history ends with the desk, or where another program wrote the files.
#pragma once

#include <cstdint>
#include <deque>
#include <filesystem>
#include <opencv2/core.hpp>
#include <string>
#include <vector>

namespace trunnion::desk {

enum class Paint : std::uint8_t { add, subtract, erase };  // erase: back to the mask by contrast

struct Stroke {
  Paint paint = Paint::add;
  double radius_px = 1;
  std::vector<cv::Point2d> points;  // px of the fused image
  bool fill = false;                // what looks like the pixels under the stroke, near it
};

// A part of an image; `mask` is CV_8U, 255 inside, of the size of `place`.
struct Region {
  cv::Rect place;
  cv::Mat mask;
};

// The discs of the stroke and what lies between them.
Region region_of(const Stroke& stroke, const cv::Size& image);

// What belongs together with the pixels under the stroke by contrast, within a window of four
// brush diameters around it and connected to it: C. Rother, V. Kolmogorov and A. Blake, "GrabCut",
// SIGGRAPH 2004. `image`: CV_8UC3. The stroke alone where both sides look alike.
Region fill_of(const Stroke& stroke, const cv::Mat& image);

class StationPaint {
 public:
  StationPaint(const std::filesystem::path& fused, const cv::Size& size);

  // Each returns once the files are on the disk.
  void paint(const std::string& page, Paint paint, const Region& region);
  // False where that page has nothing to undo or redo.
  bool undo(const std::string& page);
  bool redo(const std::string& page);

 private:
  struct Masks {
    cv::Mat add;  // CV_8U, 0 or 255
    cv::Mat subtract;
  };
  struct Done {
    std::string page;
    Paint paint;
    cv::Rect place;
    std::vector<unsigned char> png;  // of the region's mask
    bool undone = false;
  };
  [[nodiscard]] Masks read() const;
  [[nodiscard]] Masks current();
  void write(const Masks& masks);
  [[nodiscard]] Masks replayed() const;
  [[nodiscard]] std::string stamp() const;
  static void apply(Masks& masks, Paint paint, const Region& region);

  std::filesystem::path add_;
  std::filesystem::path subtract_;
  cv::Size size_;
  std::vector<unsigned char> base_add_;  // PNG
  std::vector<unsigned char> base_subtract_;
  std::deque<Done> done_;
  std::string stamp_;  // of the files as they were last written here
};

}  // namespace trunnion::desk
