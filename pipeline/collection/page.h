// The page of a collection, bundled from web/ by the build: one document with script and style
// inlined and a place for its data.
#pragma once

#include <string_view>

namespace trunnion::collection {

std::string_view page_template();

}  // namespace trunnion::collection
