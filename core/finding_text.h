// Findings as --json and the report hold them, and as lines of text.
#pragma once

#include <nlohmann/json.hpp>
#include <string>

#include "core/finding.h"

namespace trunnion {

enum class FindingStage { shown, left_out };

// A list of severity, stage (where shown), file, what and remedy.
nlohmann::ordered_json findings_json(const Findings& findings, FindingStage stage);

// One line each: "severity: file: what remedy".
std::string findings_text(const Findings& findings);

}  // namespace trunnion
