// Part of plan: how near the lens comes to the turning specimen.
//
// The specimen sweeps a cylinder (its swept circle, its height) about the rotation axis. The front
// of the lens is a disc across the optical axis, which meets the rotation axis in the middle of the
// cylinder at the ring's elevation. With the plane of focus at z (towards the camera, from the
// axis) the disc stands at z + free distance; it is nearest at the last slice. Both bodies are
// convex and symmetrical about the plane of both axes, so the shortest line between them lies in
// that plane, where they are a rectangle and a line: plane geometry.
#pragma once

#include "stages/plan/plan.h"

namespace trunnion::plan {

// Shortest distance, mm; 0 where they touch or overlap. `last_mm`: plane of focus of the last slice
// before the axis, positive towards the camera (so usually negative). Elevation in rad.
double clearance_mm(const LensFront& front, double swept_mm, double height_mm, double elevation,
                    double last_mm);

}  // namespace trunnion::plan
