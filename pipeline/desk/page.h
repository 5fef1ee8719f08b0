// The page of the desk, bundled from web/ by the build: one document with script and style inlined.
#pragma once

#include <string_view>

namespace trunnion::desk {

std::string_view page();
// What its Content-Security-Policy allows to run: the hashes of its script and its style.
std::string_view page_policy();

}  // namespace trunnion::desk
