// Decisions as the report and the exports write them: "excluded" and "accepted", lists of objects
// with the keys of review.toml; keys that don't apply are absent.
#pragma once

#include <nlohmann/json.hpp>

#include "config/review.h"

namespace trunnion {

nlohmann::ordered_json review_to_json(const Review& review);

// Throws nlohmann's exceptions where it is not of that form.
Review review_from_json(const nlohmann::ordered_json& json);

}  // namespace trunnion
