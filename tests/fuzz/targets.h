// What is fuzzed: every reader of text or files that may come from a stranger. Each takes any bytes
// and must return, throwing nothing: trunnion's own errors are caught inside, all else escapes and
// is a finding.
#pragma once

#include <string>
#include <string_view>
#include <utility>
#include <vector>

namespace trunnion::test {

using FuzzTarget = void(std::string_view bytes);

FuzzTarget fuzz_settings;
FuzzTarget fuzz_setup;
FuzzTarget fuzz_record;
FuzzTarget fuzz_capture_table;
FuzzTarget fuzz_template;
FuzzTarget fuzz_metadata;
FuzzTarget fuzz_image;

// All of them by name: "settings", "setup", ...
const std::vector<std::pair<std::string, FuzzTarget*>>& fuzz_targets();

}  // namespace trunnion::test
