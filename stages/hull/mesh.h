// From the sampled field to a closed mesh, by OpenVDB.
#pragma once

#include "stages/hull/carve.h"

namespace trunnion::hull {

// The zero surface; without colours. Pieces smaller than some voxels are left out.
Mesh mesh_of(const Carved& carved);

// The surface's triangles, without making them.
std::size_t count_triangles(const Carved& carved);

}  // namespace trunnion::hull
