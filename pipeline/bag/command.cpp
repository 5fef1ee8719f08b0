// trunnion hand-over: packs a prepared specimen with its records and checksums.
#include <fmt/format.h>

#include <memory>

#include "pipeline/bag/bag.h"
#include "pipeline/command_line.h"

namespace trunnion {

void add_hand_over(CLI::App& app) {
  auto workspace = std::make_shared<std::string>();
  auto folder = std::make_shared<std::string>();
  CLI::App* command = add_command(
      app, "hand-over", "Pack a prepared specimen with its records and checksums (BagIt)",
      [workspace, folder](const Common&) {
        const bag::Package package = bag::pack(open_workspace(*workspace), *folder);
        return CommandResult{
            fmt::format("{}: {} files, {:.1f} MB, with their checksums.\nCheck it where it "
                        "arrives: trunnion verify {}\n",
                        *folder, package.files, static_cast<double>(package.bytes) / 1e6, *folder),
            {{"package", *folder}, {"files", package.files}, {"bytes", package.bytes}}};
      },
      Workers::one);
  command->add_option("workspace", *workspace, "Folder with specimen.toml")->required();
  command->add_option("-o,--output", *folder, "Folder to make for the package")->required();
}

}  // namespace trunnion
