// The list of what to shoot again as a page for paper.
#pragma once

#include <string>
#include <vector>

#include "pipeline/desk/shoot_again.h"

namespace trunnion::desk {

std::string shots_again_html(const std::vector<ShotAgain>& shots, const std::string& title);
std::string shots_again_policy();

}  // namespace trunnion::desk
