// trunnion target FILE: a board to print, as SVG or PDF in true size.
#include <fmt/format.h>

#include <memory>

#include "core/error.h"
#include "core/files.h"
#include "pipeline/board_choice.h"
#include "pipeline/command_line.h"
#include "stages/target/target.h"

namespace trunnion {
namespace {

struct TargetCommand {
  std::string file;
  BoardChoice board;
};

CommandResult run(const TargetCommand& options) {
  target::TargetOptions target_options;
  target_options.pattern = pattern_of(options.board);
  const target::Target target = target::make_target(target_options);
  const std::filesystem::path base = options.file;
  const std::string extension = base.extension().string();
  if (!extension.empty() && extension != ".svg" && extension != ".pdf") {
    throw usage_error(fmt::format(
        "{}: a target is written as .svg or .pdf; give one of these, or neither for both.",
        options.file));
  }
  CommandResult result;
  result.json["files"] = nlohmann::ordered_json::array();
  const auto write = [&](const std::filesystem::path& file, const std::string& content) {
    write_file(file, content);
    result.text +=
        fmt::format("{}: {:.0f} x {:.0f} mm\n", file.string(), target.width_mm, target.height_mm);
    result.json["files"].push_back(file.string());
  };
  if (extension != ".pdf") write(std::filesystem::path(base).replace_extension(".svg"), target.svg);
  if (extension != ".svg") write(std::filesystem::path(base).replace_extension(".pdf"), target.pdf);
  result.text += "Print at 100 % and check the rulers with a steel rule before use.\n";
  result.json["page_mm"] = {target.width_mm, target.height_mm};
  result.json["ruler_mm"] = target.ruler_mm;
  result.json["findings"] = nlohmann::ordered_json::array();
  for (const Finding& finding : target.findings) {
    result.text +=
        fmt::format("{}: {} {}\n", name_of(finding.severity), finding.what, finding.remedy);
    result.json["findings"].push_back({{"severity", name_of(finding.severity)},
                                       {"what", finding.what},
                                       {"remedy", finding.remedy}});
  }
  return result;
}

}  // namespace

void add_target(CLI::App& app) {
  auto options = std::make_shared<TargetCommand>();
  CLI::App* command = add_command(
      app, "target", "Write a board for calibration, to print at true size",
      [options](const Common&) { return run(*options); }, Workers::one);
  command
      ->add_option("FILE", options->file, "File to write, .svg or .pdf; without an extension both")
      ->required();
  options->board.square_mm = 10.0;
  add_board_options(*command, options->board);
}

}  // namespace trunnion
