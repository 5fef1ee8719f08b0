// bench_make_set FOLDER: a workspace with large images for the measurements of run.sh.
#include <fmt/format.h>
#include <tiffio.h>

#include <CLI/CLI.hpp>
#include <filesystem>
#include <opencv2/imgproc.hpp>

#include "config/toml_writer.h"
#include "core/angle.h"
#include "core/error.h"
#include "core/files.h"
#include "core/image_io.h"
#include "tests/bench/deflate_tiff.h"
#include "tests/bench/large_views.h"

namespace trunnion::bench {
namespace {

namespace fs = std::filesystem;

struct Wish {
  std::string folder;
  std::string format = "tiff-deflate";
  int images = 8;
  bool coarse = false;  // 16 bit with eight bits in them: files a quarter as large
  LargeOptions large;
};

void write_texts(const LargeViews& views, const Wish& wish, const std::string& extension) {
  const fs::path folder = wish.folder;
  const Ring& ring = views.rig().rings.front().nominal;
  fs::create_directories(folder / "setups");
  fs::create_directories(folder / "specimen" / "fused");
  write_file(folder / "setups" / "demo.toml", setup_toml(views.rig().setup));
  write_file(folder / "setups" / "demo.calibration.json",
             record_to_json(demo::true_record(views.rig())));
  write_file(
      folder / "specimen" / "specimen.toml",
      fmt::format("title = \"Measured\"\nsetup = \"../setups/demo.toml\"\n\n[[ring]]\n"
                  "name = \"{}\"\nelevation_deg = {}\nstations = {}\nstep_deg = {}\n"
                  "pattern = \"fused/v_{{station}}{}\"\n",
                  ring.name, degrees(ring.elevation), wish.images, degrees(ring.step), extension));
}

void write_view(cv::Mat image, const Wish& wish, const fs::path& file) {
  PendingFile pending(file);
  if (wish.coarse) cv::bitwise_and(image, cv::Scalar::all(0xFF00), image);
  if (wish.format == "tiff-deflate") {
    write_deflate_tiff(pending.temporary(), image, wish.coarse ? 1 : 6);
  } else if (wish.format == "tiff-plain") {
    write_image(pending.temporary(), image, {.type = FileType::tiff, .compress = false});
  } else {
    write_image(pending.temporary(), image,
                {.type = wish.format == "png" ? FileType::png : FileType::jpeg});
  }
  pending.commit();
}

void make(Wish wish) {
  wish.large.bits = wish.format == "jpeg" ? 8 : 16;
  wish.large.stations = std::max(wish.large.stations, wish.images);
  const LargeViews views(wish.large);
  const std::string extension = wish.format == "jpeg"  ? ".jpg"
                                : wish.format == "png" ? ".png"
                                                       : ".tif";
  write_texts(views, wish, extension);
  for (int k = 0; k < wish.images; ++k) {
    write_view(views.view(k), wish,
               fs::path(wish.folder) / "specimen" / "fused" / fmt::format("v_{}{}", k, extension));
  }
}

}  // namespace
}  // namespace trunnion::bench

int main(int argc, char** argv) {
  using namespace trunnion;
  bench::Wish wish;
  CLI::App app("Makes a workspace with large images to measure with");
  app.add_option("folder", wish.folder)->required();
  app.add_option("--format", wish.format)
      ->check(CLI::IsMember({"tiff-deflate", "tiff-plain", "jpeg", "png"}));
  app.add_option("--images", wish.images);
  app.add_flag("--coarse", wish.coarse);
  app.add_option("--width", wish.large.width_px);
  app.add_option("--height", wish.large.height_px);
  app.add_option("--enlarged", wish.large.enlarged);
  CLI11_PARSE(app, argc, argv);
  try {
    bench::make(wish);
  } catch (const Error& error) {
    fmt::print(stderr, "{}\n", error.what());
    return 1;
  }
  return 0;
}
