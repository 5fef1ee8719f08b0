// The files a plan becomes besides plan.json and the shot list: specimen.toml, ready to be filled
// with images, and the setup file of the chosen setup.
#pragma once

#include <string>

#include "config/specimen.h"
#include "stages/plan.h"

namespace trunnion {

// `setup_path` as specimen.toml shall name it. Fused images are expected as
// fused/RING_STATION.EXTENSION.
std::string specimen_toml(const CapturePlan& plan, const std::string& setup_path,
                          BackdropKind backdrop, const std::string& extension = "tif");

// The setup in the aperture and orientation of the plan, named by planned_setup_name().
Setup setup_as_planned(Setup setup, const PlanOption& chosen);

// A setup file that config/setup.h reads back as the same setup.
std::string setup_toml(const Setup& setup);

// A TOML basic string, quoted and escaped.
std::string toml_text(std::string_view text);

}  // namespace trunnion
