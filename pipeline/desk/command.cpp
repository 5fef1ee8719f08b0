#include <fmt/format.h>
#include <spawn.h>

#include <array>
#include <cstdio>
#include <cstdlib>
#include <memory>

#include "pipeline/command_line.h"
#include "pipeline/desk/desk.h"

namespace trunnion {
namespace {

struct DeskCommand {
  std::string workspace;
  bool no_browser = false;
  desk::DeskOptions options;
};

// Where there is a screen; the address stands on the terminal in any case.
void open_browser(const std::string& address) {
  if (std::getenv("DISPLAY") == nullptr && std::getenv("WAYLAND_DISPLAY") == nullptr) return;
  std::string program = "xdg-open";
  std::string argument = address;
  std::array<char*, 3> arguments{program.data(), argument.data(), nullptr};
  posix_spawn_file_actions_t files;
  posix_spawn_file_actions_init(&files);
  posix_spawn_file_actions_addopen(&files, 1, "/dev/null", 1 /* O_WRONLY */, 0);
  posix_spawn_file_actions_addopen(&files, 2, "/dev/null", 1 /* O_WRONLY */, 0);
  pid_t child = 0;
  posix_spawnp(&child, program.c_str(), &files, nullptr, arguments.data(), environ);
  posix_spawn_file_actions_destroy(&files);
}

}  // namespace

void add_desk(CLI::App& app) {
  auto options = std::make_shared<DeskCommand>();
  CLI::App* command = add_command(
      app, "desk", "Open a page on this machine on which a set is seen, mended and decided upon",
      [options](const Common& common) {
        options->options.jobs = common.jobs;
        nlohmann::ordered_json json{{"command", "desk"}, {"workspace", options->workspace}};
        desk::run_desk(options->workspace, options->options, [&](const std::string& address) {
          json["address"] = address;
          if (common.json) {
            std::fprintf(stdout, "%s\n", json.dump().c_str());
          } else {
            std::fprintf(stdout, "%s\n", address.c_str());
            if (!common.quiet) {
              std::fprintf(stderr,
                           "The address opens the page once. Ctrl-C ends the desk; "
                           "everything is kept.\n");
            }
          }
          std::fflush(stdout);
          if (!options->no_browser) open_browser(address);
        });
        return CommandResult{"", json, 0, {}};
      });
  command->add_option("workspace", options->workspace, "Folder with specimen.toml")->required();
  command
      ->add_option("--port", options->options.port, "Port on the loopback address (default: any)")
      ->check(CLI::Range(0, 65535));
  command->add_flag("--no-browser", options->no_browser, "Print the address, open no browser");
  command->add_flag("--read-only", options->options.read_only,
                    "See only: nothing is painted, decided or prepared");
}

}  // namespace trunnion
