// Writes the demo set; every file whole or not at all, images in parallel.
#include <fmt/format.h>
#include <oneapi/tbb/global_control.h>
#include <oneapi/tbb/parallel_for.h>
#include <oneapi/tbb/task_arena.h>

#include <map>
#include <mutex>
#include <nlohmann/json.hpp>
#include <utility>

#include "config/toml_writer.h"
#include "core/angle.h"
#include "core/files.h"
#include "core/hash.h"
#include "datasets/demo_card.h"
#include "datasets/demo_record.h"
#include "datasets/demo_set.h"

namespace trunnion::demo {
namespace {

using Json = nlohmann::ordered_json;

constexpr int kPoints = 400;
constexpr std::uint64_t kLensBoardImages = 10'000'000;  // numbers of exposures, for the noise
constexpr std::uint64_t kAxisBoardImages = 20'000'000;

// The folder being written, and what has been written into it; images come from many threads.
class Output {
 public:
  explicit Output(fs::path folder) : folder_(std::move(folder)) {}

  void image(const fs::path& name, const cv::Mat& image, FileType type) {
    PendingFile pending(folder_ / name);
    write_image(pending.temporary(), image, {.type = type, .chroma = {2, 2}});  // as cameras do
    const std::string hash = hash_file(pending.temporary());
    pending.commit();
    note(name, hash);
  }
  void frame(const fs::path& name, const CardFrame& frame) {
    PendingFile pending(folder_ / name);
    write_image(pending.temporary(), frame.image, {.type = FileType::jpeg, .chroma = {2, 2}});
    write_metadata(pending.temporary(), FileType::jpeg, card_metadata(frame));
    const std::string hash = hash_file(pending.temporary());
    pending.commit();
    note(name, hash);
  }
  void text(const fs::path& name, const std::string& content) {
    write_file(folder_ / name, content);
    note(name, hash_bytes(content));
  }
  [[nodiscard]] const std::map<std::string, std::string>& files() const { return files_; }

 private:
  void note(const fs::path& name, const std::string& hash) {
    const std::lock_guard<std::mutex> lock(mutex_);
    files_[name.generic_string()] = hash;
  }
  fs::path folder_;
  std::mutex mutex_;
  std::map<std::string, std::string> files_;
};

const char* word_of(FusionHabit habit) {
  switch (habit) {
    case FusionHabit::rescaled:
      return "rescaled";
    case FusionHabit::orthographic:
      return "orthographic";
    case FusionHabit::lens:
      return "lens";
  }
  return "";
}

const char* word_of(BackdropShade shade) {
  switch (shade) {
    case BackdropShade::black:
      return "black";
    case BackdropShade::grey:
      return "grey";
    case BackdropShade::white:
      return "white";
    case BackdropShade::blue:
    case BackdropShade::green:
      return "colour";
  }
  return "";
}

std::string specimen_toml(const DemoSet& set) {
  const DemoOptions& options = set.options();
  std::string text = fmt::format(
      "title = \"Invented beetle, Example Collection no. {}\"\n"
      "setup = \"../setups/demo.toml\"\n\n[backdrop]\nkind = \"{}\"\n",
      options.seed, word_of(options.backdrop));
  for (const TrueRing& ring : set.rig().rings) {
    const Ring& r = ring.nominal;
    text += fmt::format(
        "\n[[ring]]\nname = \"{}\"\nelevation_deg = {}\nstations = {}\nstep_deg = {:.12g}\n"
        "start_deg = {:.12g}\nturning = \"counter-clockwise\"\npattern = "
        "\"fused/{}_{{station}}{}\"\n{}",
        r.name, std::round(degrees(r.elevation) * 1e6) / 1e6, r.stations, degrees(r.step),
        degrees(r.start), r.name, extension_of(options.type),
        options.frames > 0 ? fmt::format("frames = {}\n", options.frames) : "");
  }
  return text;
}

Json rows_of(const Eigen::Matrix3d& m) {
  Json rows = Json::array();
  for (int i = 0; i < 3; ++i) rows.push_back({m(i, 0), m(i, 1), m(i, 2)});
  return rows;
}
Json list_of(const Eigen::Vector3d& v) {
  return {v.x(), v.y(), v.z()};
}

std::string cameras_json(const DemoSet& set) {
  const Rig& rig = set.rig();
  const Camera& c = rig.camera;
  Json json{{"about",
             "True cameras of the demo. x_camera = R x_world + t, mm; camera frame x right, y "
             "down, z forward; pixel (0, 0) is the centre of the top-left pixel."},
            {"fusion_habit", word_of(set.options().habit)},
            {"camera",
             {{"projection", rig.telecentric ? "telecentric" : "perspective"},
              {"width_px", c.width_px},
              {"height_px", c.height_px},
              {rig.telecentric ? "fx_px_per_mm" : "fx_px", c.fx},
              {rig.telecentric ? "fy_px_per_mm" : "fy_px", c.fy},
              {"cx_px", c.cx},
              {"cy_px", c.cy},
              {"distortion_k1_k2_p1_p2_k3", c.distortion}}},
            {"sigma_stage_angle_deg", degrees(rig.sigma_angle)}};
  for (const TrueRing& ring : rig.rings) {
    json["rings"].push_back({{"name", ring.nominal.name},
                             {"elevation_deg", degrees(ring.elevation)},
                             {"nominal_elevation_deg", degrees(ring.nominal.elevation)},
                             {"axis_direction", list_of(ring.axis.direction)},
                             {"axis_origin_mm", list_of(ring.axis.origin_mm)}});
  }
  for (const DemoView& view : set.views()) {
    const TrueRing& ring = rig.rings[view.ring];
    const Pose pose = rig.pose(view.ring, view.station);
    json["views"].push_back(
        {{"name", view.name},
         {"ring", ring.nominal.name},
         {"station", view.station},
         {"stage_angle_deg", degrees(ring.angles[view.station])},
         {"nominal_angle_deg", degrees(ring.nominal.angle_of(static_cast<int>(view.station)))},
         {"R", rows_of(pose.R)},
         {"t_mm", list_of(pose.t)},
         {"centre_mm", list_of(pose.centre_mm())}});
  }
  return json.dump(1) + "\n";
}

std::string dust_csv(const Sensor& sensor) {
  std::string text = "kind,x_px,y_px,diameter_px,contrast\n";
  for (const DustSpot& spot : sensor.dust) {
    text += fmt::format("dust,{:.3f},{:.3f},{:.3f},{:.5f}\n", spot.x_px, spot.y_px,
                        spot.diameter_px, -spot.contrast);
  }
  for (const HotPixel& hot : sensor.hot_pixels) {
    text += fmt::format("hot,{},{},1,{:.5f}\n", hot.x_px, hot.y_px, hot.level);
  }
  return text;
}

std::string points_csv(const DemoSet& set, const std::vector<TruePoint>& points) {
  std::string text = "point,X_mm,Y_mm,Z_mm,view,x_px,y_px\n";
  for (std::size_t i = 0; i < points.size(); ++i) {
    const Eigen::Vector3d& p = points[i].position_mm;
    for (const TruePoint::Observation& observation : points[i].observations) {
      text += fmt::format("{},{:.9f},{:.9f},{:.9f},{},{:.6f},{:.6f}\n", i, p.x(), p.y(), p.z(),
                          set.views()[observation.view].name, observation.position_px.x(),
                          observation.position_px.y());
    }
  }
  return text;
}

void write_view(const DemoSet& set, std::size_t number, Output& output) {
  const DemoView& view = set.views()[number];
  const DemoOptions& options = set.options();
  const RenderedView rendered = set.render(view);
  const std::string image = view.name + extension_of(options.type);
  const std::string png = view.name + ".png";
  const fs::path truth = "truth";
  output.image(fs::path("specimen") / "fused" / image, set.fused(view, rendered), options.type);
  output.image(truth / "masks" / png, rendered.coverage, FileType::png);
  output.image(truth / "bristles" / png, rendered.bristles, FileType::png);
  output.image(truth / "pin" / png, rendered.pin, FileType::png);
  if (options.clean) {
    output.image(truth / "clean" / image, set.fused(view, rendered, true), options.type);
  }
  if (options.frames == 0) return;
  std::size_t frame = number * static_cast<std::size_t>(options.frames);
  for (const CardFrame& one : focus_series(set, rendered, card_shape(set, number))) {
    output.frame(fs::path("card") / fmt::format("frame_{:04}.jpg", ++frame), one);
  }
}

void write_board(const DemoSet& set, const std::string& group, const BoardShot& shot,
                 std::uint64_t number, Output& output) {
  const RenderedView rendered =
      render_board(Board{}, set.rig().camera, shot.camera_from_board, set.backdrop());
  const FileType type = set.options().type;
  output.image(fs::path("boards") / group / (shot.name + extension_of(type)),
               expose(rendered.colour, set.sensor(), set.rig().camera, number), type);
}

void write_texts(const DemoSet& set, const std::vector<TruePoint>& points,
                 const std::vector<BoardShot>& axis, Output& output) {
  output.text("setups/demo.toml",
              "# Setup of the demo: the marks as they stand on body and lens.\n" +
                  setup_toml(set.rig().setup));
  output.text("specimen/specimen.toml", specimen_toml(set));
  output.text("truth/cameras.json", cameras_json(set));
  output.text("truth/dust.csv", dust_csv(set.sensor()));
  output.text("truth/points.csv", points_csv(set, points));
  output.text("truth/demo.calibration.json", record_to_json(true_record(set.rig())));
  if (!set.options().boards) return;
  const Board board;
  output.text("boards/board.toml",
              fmt::format("# Checkerboard of the demo: inner corners and side of a square.\n"
                          "rows = {}\ncolumns = {}\nsquare_mm = {}\n",
                          board.rows, board.columns, board.square_mm));
  std::string angles = "file,ring,angle_deg\n";
  for (const BoardShot& shot : axis) {
    angles += fmt::format("{}{},{},{}\n", shot.name, extension_of(set.options().type), shot.ring,
                          std::round(degrees(shot.stage_angle) * 1e6) / 1e6);
  }
  output.text("boards/axis/angles.csv", angles);
}

DemoSummary write_all(const DemoSet& set, const std::function<void(int, int)>& progress,
                      Output& output) {
  const bool boards = set.options().boards;
  const std::vector<TruePoint> points = true_points(set, kPoints);
  const std::vector<BoardShot> lens = boards ? lens_boards(set) : std::vector<BoardShot>{};
  const std::vector<BoardShot> axis = boards ? axis_boards(set) : std::vector<BoardShot>{};
  write_texts(set, points, axis, output);
  const std::size_t views = set.views().size();
  const std::size_t total = views + lens.size() + axis.size();
  std::mutex mutex;
  int done = 0;
  tbb::parallel_for(std::size_t{0}, total, [&](std::size_t i) {
    // Isolated: a thread that waits for its tiles must not begin another image meanwhile, or
    // memory would grow.
    tbb::this_task_arena::isolate([&] {
      if (i < views) {
        write_view(set, i, output);
      } else if (i < views + lens.size()) {
        write_board(set, "lens", lens[i - views], kLensBoardImages + i - views, output);
      } else {
        const std::size_t k = i - views - lens.size();
        write_board(set, "axis", axis[k], kAxisBoardImages + k, output);
      }
    });
    if (!progress) return;
    const std::lock_guard<std::mutex> lock(mutex);
    progress(++done, static_cast<int>(total));
  });
  return {static_cast<int>(views), static_cast<int>(lens.size() + axis.size()),
          static_cast<int>(views) * set.options().frames, static_cast<int>(points.size()),
          static_cast<int>(set.sensor().dust.size())};
}

}  // namespace

DemoSummary write_demo_set(const fs::path& folder, const DemoOptions& options,
                           const std::function<void(int, int)>& progress) {
  check_options(options);
  const DemoRecord before = read_demo_record(folder);
  DemoRecord now;
  now.made_with = made_with(options);
  if (before.complete && before.made_with == now.made_with && holds(folder, before)) {
    DemoSummary summary = before.summary;
    summary.unchanged = true;
    return summary;
  }
  // Marks the folder as a demo's before anything else is written, so that a run that was
  // interrupted can be repeated.
  now.files = before.files;
  write_demo_record(folder, now);
  Output output(folder);
  const int jobs = options.jobs > 0 ? options.jobs : tbb::this_task_arena::max_concurrency();
  const tbb::global_control limit(tbb::global_control::max_allowed_parallelism,
                                  static_cast<std::size_t>(jobs));
  tbb::task_arena arena(jobs);
  arena.execute([&] { now.summary = write_all(DemoSet(options), progress, output); });
  now.files = output.files();
  now.complete = true;
  remove_stale(folder, before, now);
  write_demo_record(folder, now);
  return now.summary;
}

}  // namespace trunnion::demo
