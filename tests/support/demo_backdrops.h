// The demo's neutral backdrops as parameters of tests.
#pragma once

#include <gtest/gtest.h>

#include <array>
#include <ostream>
#include <string>

#include "datasets/demo_set.h"

namespace trunnion::demo {

// Else GoogleTest names the parameter by its bytes.
inline void PrintTo(BackdropShade shade, std::ostream* out) {
  constexpr std::array kNames{"black", "grey", "white", "blue", "green"};
  *out << kNames.at(static_cast<std::size_t>(shade));
}

}  // namespace trunnion::demo

namespace trunnion::test {

inline auto neutral_backdrops() {
  using demo::BackdropShade;
  return testing::Values(BackdropShade::black, BackdropShade::grey, BackdropShade::white);
}

inline std::string backdrop_name(const testing::TestParamInfo<demo::BackdropShade>& info) {
  return testing::PrintToString(info.param);
}

}  // namespace trunnion::test
