// Renders one view of the demo specimen, or of a checkerboard, through a true (distorting) camera:
// colour without any fault of the sensor, partial coverage of the outline, depth.
//
// A pixel is sampled over its own square in the DISTORTED image, each sample's ray coming from
// core/camera.h, so coverage and colour have exactly the geometry of the fused image. Pixels on an
// outline or near a thin part get kEdgeSamples samples of a Sobol sequence; coverage is then true
// to about one sample. Everything in the picture is sharp, as in a good fused image.
#pragma once

#include <Eigen/Core>
#include <opencv2/core.hpp>

#include "core/camera.h"
#include "core/checkerboard.h"
#include "core/pose.h"
#include "datasets/specimen_model.h"

namespace trunnion::demo {

inline constexpr int kEdgeSamples = 128;  // coverage of a straight edge: RMS error 0.008, measured

enum class BackdropShade { black, grey, white, blue, green };

// What stands still: the backdrop's unevenness and, where wanted, the edge of the stage.
struct Backdrop {
  BackdropShade shade = BackdropShade::black;
  bool stage_edge = false;
  std::uint64_t seed = 1;
  double gradient = 0;  // brighter to the right by this share over the frame's height
};

struct RenderedView {
  cv::Mat colour;    // CV_32FC3, BGR, 1 = full scale
  cv::Mat coverage;  // CV_8U, share of the pixel that specimen or pin covers, 255 = all
  cv::Mat bristles;  // CV_8U, share covered by bristles with nothing but backdrop behind them
  cv::Mat pin;       // CV_8U, share covered by the pin
  cv::Mat through;   // CV_32F, share of the pixel's light that comes from the backdrop
  cv::Mat depth_mm;  // CV_32F, along the viewing direction; 0 on the backdrop
};

// Threads: oneTBB, by tiles that do not depend on each other.
RenderedView render_specimen(const SpecimenModel& model, const Camera& camera,
                             const Pose& camera_from_world, const Pose& camera_from_stage,
                             const Backdrop& backdrop);

// A board of rows x columns INNER corners or circles: plane z = 0 of its own frame, first inner
// corner at the origin, x along the columns, y along the rows, its face towards -z.
struct Board {
  int rows = 8;
  int columns = 11;
  double square_mm = 0.9;
  double margin_mm = 0.5;  // of the plate around the outer squares
  BoardKind kind = BoardKind::checkerboard;
  double dot_share = 0.5;  // circles: diameter over the distance of the nearest neighbours
  [[nodiscard]] BoardPattern pattern() const {
    BoardPattern pattern;
    pattern.columns = columns;
    pattern.rows = rows;
    pattern.square_mm = square_mm;
    pattern.kind = kind;
    return pattern;
  }
  [[nodiscard]] Eigen::Vector3d corner(int row, int column) const {
    return {column * square_mm, row * square_mm, 0.0};
  }
  [[nodiscard]] int across() const { return pattern().lattice_columns(); }  // places of a row
  [[nodiscard]] double plate_width_mm() const { return (across() + 1) * square_mm + 2 * margin_mm; }
  [[nodiscard]] double plate_height_mm() const { return (rows + 1) * square_mm + 2 * margin_mm; }
  [[nodiscard]] Eigen::Vector3d centre() const {
    return {0.5 * (across() - 1) * square_mm, 0.5 * (rows - 1) * square_mm, 0.0};
  }
};
RenderedView render_board(const Board& board, const Camera& camera, const Pose& camera_from_board,
                          const Backdrop& backdrop);

// What spoils photographs of boards.
struct BoardFlaws {
  // Sigma of the point spread at the image's left and right edge, px, linear between: the board
  // leaves the depth of field on one side.
  double blur_left_px = 0;
  double blur_right_px = 0;
  // A soft reflection: added light at its middle (1 = full scale), and its radius and middle as
  // shares of the image's height and sides.
  double glare = 0;
  double glare_radius = 0.15;
  double glare_x = 0.6;
  double glare_y = 0.4;
};
void spoil(RenderedView& view, const BoardFlaws& flaws);

// The ray of an image position, in the camera's frame.
Ray camera_ray(const Camera& camera, const Eigen::Vector2d& normalised);

// Colour of the backdrop at a pixel: exact, or from its large-scale clouding where the caller has
// interpolated that (it hardly changes over a few pixels and costs most of the work).
double backdrop_cloud(const Backdrop& backdrop, const Camera& camera, const Eigen::Vector2d& pixel);
Eigen::Vector3d backdrop_colour(const Backdrop& backdrop, const Camera& camera,
                                const Eigen::Vector2d& pixel, double cloud);

// Light that falls on a surface point and leaves towards `to_eye`; directions in the stage frame.
Eigen::Vector3d shade(const Surface& surface, const Eigen::Vector3d& normal_stage,
                      const Eigen::Vector3d& to_eye_stage, double openness);

}  // namespace trunnion::demo
