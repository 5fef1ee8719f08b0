// trunnion docs FOLDER: man pages and completions for those who install or package trunnion;
// hidden, since users never need it.
#include <fmt/format.h>

#include <filesystem>
#include <memory>

#include "core/files.h"
#include "pipeline/command_line.h"
#include "pipeline/completions.h"
#include "pipeline/man_pages.h"

namespace trunnion {
namespace {

CommandResult write_docs(const CLI::App& app, const std::filesystem::path& folder) {
  std::filesystem::create_directories(folder / "man");
  nlohmann::ordered_json pages = nlohmann::ordered_json::array();
  for (const ManPage& page : man_pages(app)) {
    pages.push_back(page.name);
    write_file(folder / "man" / (page.name + ".1"), page.text);
  }
  write_file(folder / "trunnion.bash", bash_completion(app));
  write_file(folder / "_trunnion", zsh_completion(app));
  write_file(folder / "trunnion.fish", fish_completion(app));
  CommandResult result;
  result.text = fmt::format("{} man pages and completions for bash, zsh and fish are in {}\n",
                            pages.size(), folder.string());
  result.json = {{"folder", folder.string()}, {"man_pages", pages}};
  return result;
}

}  // namespace

void add_docs(CLI::App& app) {
  auto folder = std::make_shared<std::string>();
  CLI::App* command = add_command(
      app, "docs", "Write man pages and completions for bash, zsh and fish",
      [folder, &app](const Common&) { return write_docs(app, *folder); }, Workers::one);
  command->add_option("folder", *folder, "Folder to write to")->required();
  command->group("");
}

}  // namespace trunnion
