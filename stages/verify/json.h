// JSON for the readers of verify; private to it. Mistakes become data errors that name the file.
#pragma once

#include <fmt/format.h>

#include <Eigen/Core>
#include <nlohmann/json.hpp>
#include <string>

#include "core/error.h"

namespace trunnion::verify {

using Json = nlohmann::json;

inline Json parsed(const std::string& text, const std::string& file) {
  try {
    return Json::parse(text);
  } catch (const Json::exception& error) {
    throw data_error(fmt::format("{}: is not JSON ({}); prepare again.", file, error.what()));
  }
}

inline Eigen::Vector3d vector_of(const Json& json) {
  return {json.at(0).get<double>(), json.at(1).get<double>(), json.at(2).get<double>()};
}

template <typename Read>
auto guarded(const std::string& file, Read read) {
  try {
    return read();
  } catch (const Json::exception& error) {
    throw data_error(fmt::format("{}: a field is missing or of the wrong kind ({}); prepare again.",
                                 file, error.what()));
  }
}

}  // namespace trunnion::verify
