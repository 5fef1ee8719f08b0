// trunnion demo DIR: renders the demo set; with --prepare it goes on to the finished set by the
// commands that a user would type.
#include <fmt/format.h>
#include <unistd.h>

#include <filesystem>
#include <memory>
#include <utility>

#include "config/calibration_record.h"
#include "core/error.h"
#include "datasets/demo_set.h"
#include "pipeline/command_line.h"
#include "pipeline/text.h"

namespace trunnion {
namespace {

struct DemoCall {
  std::string folder;
  std::string backdrop = "black";
  std::string type = "tiff";
  std::string habit = "rescaled";
  std::vector<std::string> faults;
  bool no_boards = false;
  bool prepare = false;
  demo::DemoOptions options;
};

using Words = std::vector<std::string>;

// The commands that make a finished set of the demo; calibrations that are there are not repeated.
std::vector<Words> commands_to_prepare(const std::filesystem::path& folder, const DemoCall& call) {
  std::vector<Words> commands;
  const std::string setup = (folder / "setups" / "demo.toml").string();
  const std::filesystem::path boards = folder / "boards";
  const std::string images = std::string("*") + extension_of(call.options.type);
  const Words board{"--board", "11x8", "--square", "0.9"};
  if (call.options.boards && !std::filesystem::exists(record_path(setup))) {
    commands.push_back(
        {"calibrate", "lens", setup, "--images", (boards / "lens" / images).string()});
    commands.push_back({"calibrate", "axis", setup, "--images", (boards / "axis" / images).string(),
                        "--angles", (boards / "axis" / "angles.csv").string()});
    for (Words& words : commands) words.insert(words.end(), board.begin(), board.end());
  }
  commands.push_back({"prepare", (folder / "specimen").string()});
  return commands;
}

// The exit code of the first command that fails, else 0.
int prepare_demo(const std::filesystem::path& folder, const DemoCall& call, const Common& common) {
  const bool quiet = common.quiet || common.json;
  for (Words words : commands_to_prepare(folder, call)) {
    words.insert(words.begin(), "trunnion");
    if (!quiet) show(stdout, fmt::format("\n$ {}\n", fmt::join(words, " ")));
    if (quiet) words.push_back("--quiet");
    words.insert(words.end(), {"--jobs", std::to_string(common.jobs)});
    std::vector<const char*> arguments;
    for (const std::string& word : words) arguments.push_back(word.c_str());
    const int code = run_command_line(static_cast<int>(arguments.size()), arguments.data());
    if (code != 0) return code;
  }
  return 0;
}

CommandResult run(DemoCall call, const Common& common) {
  demo::DemoOptions& options = call.options;
  options.backdrop = call.backdrop == "black"   ? demo::BackdropShade::black
                     : call.backdrop == "grey"  ? demo::BackdropShade::grey
                     : call.backdrop == "white" ? demo::BackdropShade::white
                     : call.backdrop == "blue"  ? demo::BackdropShade::blue
                                                : demo::BackdropShade::green;
  options.type = call.type == "tiff"  ? FileType::tiff
                 : call.type == "png" ? FileType::png
                                      : FileType::jpeg;
  options.habit = call.habit == "rescaled"       ? demo::FusionHabit::rescaled
                  : call.habit == "orthographic" ? demo::FusionHabit::orthographic
                                                 : demo::FusionHabit::lens;
  options.boards = !call.no_boards;
  options.jobs = common.jobs;
  for (const std::string& fault : call.faults) demo::add_fault(options.faults, fault);

  const std::filesystem::path folder = call.folder;
  const bool terminal = !common.quiet && isatty(STDERR_FILENO) == 1;
  const auto progress = [terminal](int done, int total) {
    if (terminal)
      show(stderr, fmt::format("\rrendering {} of {}{}", done, total, done < total ? "" : "\n"));
  };
  const demo::DemoSummary made = demo::write_demo_set(folder, options, progress);

  const std::string workspace = (folder / "specimen").string();
  CommandResult result;
  result.text = fmt::format(
      "Demo set {}in {}: {} fused images of an invented specimen, {} checkerboard images, and the "
      "truth ({} points, {} dust spots).\n"
      "Next: trunnion prepare {}\n"
      "To prepare with the true calibration instead of nominal geometry, first copy\n"
      "  {} to {}\n",
      made.unchanged ? "already " : "", folder.string(), made.specimen_images, made.board_images,
      made.true_points, made.dust_spots, workspace,
      (folder / "truth" / "demo.calibration.json").string(),
      (folder / "setups" / "demo.calibration.json").string());
  result.json = {{"folder", folder.string()},
                 {"workspace", workspace},
                 {"setup", (folder / "setups" / "demo.toml").string()},
                 {"unchanged", made.unchanged},
                 {"specimen_images", made.specimen_images},
                 {"board_images", made.board_images},
                 {"frames", made.frames},
                 {"true_points", made.true_points},
                 {"dust_spots", made.dust_spots}};
  if (call.prepare) {
    if (!common.quiet && !common.json) show(stdout, std::exchange(result.text, ""));
    result.exit_code = prepare_demo(folder, call, common);
    if (result.exit_code == 0) {
      result.json["prepared"] = (folder / "specimen" / "prepared").string();
    }
  }
  return result;
}

}  // namespace

void add_demo(CLI::App& app) {
  auto call = std::make_shared<DemoCall>();
  CLI::App* command =
      add_command(app, "demo", "Render a demo set with its truth: an invented specimen",
                  [call](const Common& common) { return run(*call, common); });
  demo::DemoOptions& o = call->options;
  command->add_option("folder", call->folder, "Folder to write the set to")->required();
  command->add_option("--rings", o.rings, "Number of rings")->capture_default_str();
  command->add_option("--stations", o.stations, "Stations per ring")->capture_default_str();
  command->add_option("--width", o.width_px, "Image width, px")->capture_default_str();
  command->add_option("--height", o.height_px, "Image height, px")->capture_default_str();
  command->add_option("--backdrop", call->backdrop, "Backdrop")
      ->check(CLI::IsMember({"black", "grey", "white", "blue", "green"}))
      ->capture_default_str();
  command->add_option("--bits", o.bits, "Bits per channel, 8 or 16")->capture_default_str();
  command->add_option("--type", call->type, "File type")
      ->check(CLI::IsMember({"tiff", "png", "jpeg"}))
      ->capture_default_str();
  command->add_option("--seed", o.seed, "Another seed makes another specimen, dust and noise")
      ->capture_default_str();
  command
      ->add_option("--habit", call->habit,
                   "How the focus series were fused: rail series rescaled to a reference slice, "
                   "rail series left orthographic, or series focused by the lens")
      ->check(CLI::IsMember({"rescaled", "orthographic", "lens"}))
      ->capture_default_str();
  command
      ->add_option("--frames", o.frames, "Frames of each focus series to write to card/; 0: none")
      ->capture_default_str();
  command->add_flag("--clean", o.clean, "Also write images without dust and noise under truth/");
  command->add_flag("--no-boards", call->no_boards, "Leave out the checkerboard images");
  command->add_flag("--prepare", call->prepare,
                    "Also calibrate the demo's setup and prepare its specimen");
  command->add_option("--fault", call->faults, "Something wrong with the set; may be repeated");
  command->footer("Faults (--fault NAME or --fault NAME:VALUE):\n" + demo::fault_list());
}

}  // namespace trunnion
