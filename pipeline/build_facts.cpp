#include "pipeline/build_facts.h"

#include <ceres/version.h>
#include <fmt/format.h>
#include <sqlite3.h>
#include <tbb/version.h>

#include <Eigen/Core>
#include <exiv2/exiv2.hpp>
#include <opencv2/core/version.hpp>

namespace trunnion {

std::vector<std::pair<std::string, std::string>> versions() {
  return {{"trunnion", TRUNNION_VERSION},
          {"OpenCV", CV_VERSION},
          {"Ceres Solver", CERES_VERSION_STRING},
          {"Eigen",
           fmt::format("{}.{}.{}", EIGEN_WORLD_VERSION, EIGEN_MAJOR_VERSION, EIGEN_MINOR_VERSION)},
          {"Exiv2", Exiv2::versionString()}};
}

std::string version_text() {
  std::string text = "trunnion " TRUNNION_VERSION;
  const char* const commit = TRUNNION_COMMIT;
  if (*commit != '\0') text += fmt::format(", commit {}", commit);
  text += fmt::format("\nbuilt: {}, C++{}, {}\nwith: ", TRUNNION_COMPILER, __cplusplus / 100 % 100,
                      TRUNNION_BUILD);
  for (const auto& [name, version] : versions()) {
    if (name != "trunnion") text += fmt::format("{} {}, ", name, version);
  }
  return text + fmt::format("oneTBB {}.{}, SQLite {}", TBB_VERSION_MAJOR, TBB_VERSION_MINOR,
                            sqlite3_libversion());
}

}  // namespace trunnion
