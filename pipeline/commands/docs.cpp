// trunnion docs: man page and completion for packagers; hidden, since users never need it.
#include <memory>

#include "pipeline/command_docs.h"
#include "pipeline/command_line.h"

namespace trunnion {

void add_docs(CLI::App& app) {
  auto what = std::make_shared<std::string>();
  CLI::App* command = add_command(
      app, "docs", "Write the man page or the bash completion to stdout",
      [what, &app](const Common&) {
        const std::string text = *what == "man" ? man_page(app) : bash_completion(app);
        return CommandResult{text, {{"text", text}}};
      },
      Workers::one);
  command->add_option("what", *what, "What to write")
      ->required()
      ->check(CLI::IsMember({"man", "completion"}));
  command->group("");
}

}  // namespace trunnion
