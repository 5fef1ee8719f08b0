// The demo set: an invented specimen of an invented collection, rendered so that every step of
// trunnion can be tried and judged against the truth.
//
//   DIR/setups/demo.toml                   the setup as marked on body and lens
//   DIR/boards/board.toml                  inner corners and square size of the checkerboard
//   DIR/boards/lens/*                      15 fused checkerboard images for the lens
//   DIR/boards/axis/*, angles.csv          the board on the stage at known angles, ring by ring
//   DIR/specimen/specimen.toml             what was shot
//   DIR/specimen/fused/RING_STATION.*      fused images, without metadata
//   DIR/card/frame_NNNN.jpg                (option) frames that were fused, see demo_card.h
//   DIR/truth/masks/NAME.png               partial coverage by specimen and pin
//   DIR/truth/bristles/NAME.png            coverage by bristles that stand off the outline
//   DIR/truth/pin/NAME.png                 coverage by the pin
//   DIR/truth/clean/NAME.*                 (option) images without dust and noise
//   DIR/truth/cameras.json                 true lens, axis of every ring, pose of every view
//   DIR/truth/dust.csv, points.csv         spots on the sensor; surface points and where they lie
//   DIR/truth/demo.calibration.json        true lens and axis as a calibration record
//
// The same options give the same bytes, whatever the number of threads.
#pragma once

#include <array>
#include <cstdint>
#include <filesystem>
#include <functional>
#include <optional>
#include <string>
#include <vector>

#include "core/image_io.h"
#include "datasets/render.h"
#include "datasets/rig.h"
#include "datasets/sensor.h"
#include "datasets/specimen_model.h"

namespace trunnion::demo {

// What may be wrong with a set, for trying how it is noticed. All off by default.
struct Faults {
  double exposure = 1.0;       // gain of all images: under- or overexposed
  double drift = 0.0;          // gain grows by this share from first to last station of a ring
  std::optional<int> missing;  // station of the first ring that was never shot
  std::optional<int> slip;     // from this station of the first ring the stage stands 2.5 deg on
  bool reversed = false;       // turned the other way round than specimen.toml says
  std::optional<double> blur_band;  // a tenth of the depth is out of focus, centred here (0..1)
  std::optional<int> blurred;       // blur_band (or 0.5) at this station of the first ring only
  std::optional<int> dim;           // this station of the first ring got a third of a stop less
  std::optional<int> covered;       // a card stands before specimen and backdrop at this station
  double trails = 0.0;              // dust smeared radially by this share of its radius, each way
  bool no_dust = false;             // a clean sensor
  bool stage_edge = false;          // the rim of the stage stands in the frame
};

struct DemoOptions {
  int rings = 2;      // elevations 10 to 40 degrees
  int stations = 18;  // a ring; rings interleave, so 10 degrees between neighbours
  int width_px = kWidth_px;
  int height_px = kHeight_px;
  BackdropShade backdrop = BackdropShade::black;
  int bits = 16;
  FileType type = FileType::tiff;
  FusionHabit habit = FusionHabit::rescaled;
  std::uint64_t seed = 1;
  Body body = Body::beetle;  // what is on the pin; the command renders the beetle
  bool boards = true;        // the checkerboard images
  bool clean = false;        // truth/clean
  int frames = 0;            // of each focus series in card/; 0: none
  Faults faults;
  int jobs = 0;  // threads; 0: one a core
};

// "name" or "name:value" as the command line gives it; throws a usage error that lists the names.
void add_fault(Faults& faults, const std::string& text);
// One line a fault: name, default value, meaning.
std::string fault_list();

// Throws a usage error that names option, value and rule.
void check_options(const DemoOptions& options);

struct DemoView {
  std::string name;  // RING_STATION
  std::size_t ring = 0;
  std::size_t station = 0;
};

// The set as values, without any file: for tests and benchmarks.
class DemoSet {
 public:
  explicit DemoSet(const DemoOptions& options);
  [[nodiscard]] const DemoOptions& options() const { return options_; }
  [[nodiscard]] const Rig& rig() const { return rig_; }
  [[nodiscard]] const SpecimenModel& model() const { return model_; }
  [[nodiscard]] const Sensor& sensor() const { return sensor_; }
  [[nodiscard]] const std::vector<DemoView>& views() const { return views_; }
  [[nodiscard]] Backdrop backdrop() const;

  // Sharp, without sensor; then the fused image as its file holds it (or without dust and noise).
  [[nodiscard]] RenderedView render(const DemoView& view) const;
  [[nodiscard]] cv::Mat fused(const DemoView& view, const RenderedView& rendered,
                              bool clean = false) const;

 private:
  DemoOptions options_;
  Rig rig_;
  SpecimenModel model_;
  Sensor sensor_;
  std::vector<DemoView> views_;
};

// Surface points and where each is seen.
struct TruePoint {
  Eigen::Vector3d position_mm = Eigen::Vector3d::Zero();
  struct Observation {
    std::size_t view = 0;
    Eigen::Vector2d position_px = Eigen::Vector2d::Zero();
  };
  std::vector<Observation> observations;
};
std::vector<TruePoint> true_points(const DemoSet& set, int wanted);

struct BoardShot {
  std::string name;
  std::string ring;        // axis boards only
  double stage_angle = 0;  // nominal, rad; axis boards only
  Pose camera_from_board;
};
std::vector<BoardShot> lens_boards(const DemoSet& set);
std::vector<BoardShot> axis_boards(const DemoSet& set);

struct DemoSummary {
  int specimen_images = 0;
  int board_images = 0;
  int frames = 0;
  int true_points = 0;
  int dust_spots = 0;
  bool unchanged = false;  // the folder held this very set already; nothing was written
};

// Writes the set under `folder`, which must be empty, new or hold a demo set (else a data error);
// files of an earlier demo that this one has not are removed. `progress(done, total)` is called
// after every image, from any thread but one at a time.
DemoSummary write_demo_set(const std::filesystem::path& folder, const DemoOptions& options,
                           const std::function<void(int, int)>& progress = {});

}  // namespace trunnion::demo
