#include "pipeline/command_tree.h"

#include <algorithm>

namespace trunnion {

std::vector<const CLI::App*> commands_of(const CLI::App& app) {
  return app.get_subcommands([](const CLI::App* command) {
    return !command->get_name().empty() && !command->get_group().empty();
  });
}

std::vector<const CLI::Option*> options_of(const CLI::App& app, bool positional) {
  return app.get_options([positional](const CLI::Option* option) {
    return option->get_positional() == positional && !option->get_group().empty();
  });
}

std::string full_name(const CLI::App& app) {
  return app.get_parent() == nullptr ? app.get_name()
                                     : full_name(*app.get_parent()) + " " + app.get_name();
}

std::string value_of(const CLI::Option& option) {
  if (!takes_value(option)) return {};
  const std::string type = option.get_type_name();
  const std::size_t open = type.find('{');
  const std::size_t close = type.find('}');
  if (open == std::string::npos || close == std::string::npos || close < open) return type;
  return type.substr(open + 1, close - open - 1);
}

std::vector<std::string> choices_of(const CLI::Option& option) {
  const std::string type = option.get_type_name();
  std::vector<std::string> choices;
  if (type.find('{') == std::string::npos) return choices;
  const std::string list = value_of(option);
  for (std::size_t at = 0; at <= list.size();) {
    const std::size_t comma = std::min(list.find(',', at), list.size());
    choices.push_back(list.substr(at, comma - at));
    at = comma + 1;
  }
  return choices;
}

bool takes_value(const CLI::Option& option) {
  return option.get_items_expected_max() > 0;
}

std::vector<std::string> names_of(const CLI::Option& option) {
  std::vector<std::string> names;
  for (const std::string& name : option.get_snames()) names.push_back("-" + name);
  for (const std::string& name : option.get_lnames()) names.push_back("--" + name);
  return names;
}

}  // namespace trunnion
