// The bundled page (sources in web/), embedded in the program by the build.
#pragma once

#include <string_view>

namespace trunnion::report {

// One HTML document with the marker @@REPORT-DATA@@ where the JSON goes.
std::string_view page_template();

}  // namespace trunnion::report
