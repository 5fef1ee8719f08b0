// Names in prepared/ that trunnion writes itself, so that no template can take one.
#pragma once

#include <array>
#include <string>
#include <string_view>

namespace trunnion {

// Files and folders right below prepared/.
inline constexpr std::array<std::string_view, 12> kOwnOutputs{"images",
                                                              "masks",
                                                              "report",
                                                              "cameras.json",
                                                              "exterior.csv",
                                                              "poses_matrix.csv",
                                                              "poses_quaternion.csv",
                                                              "cameras.gltf",
                                                              "camera.yml",
                                                              "centres.ply",
                                                              "tie_points.ply",
                                                              "scale.csv"};

// The own output that a file of this name (relative to prepared/) would fall on or into, or empty.
// Capitals are one with small letters: a set may be copied to a system that knows no difference.
std::string_view own_output_at(const std::string& name);

}  // namespace trunnion
