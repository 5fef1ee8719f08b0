// Compares the backdrop found with the kind given in specimen.toml. If they differ, the description
// may belong to another set, or the survey took something else for the backdrop.
#pragma once

#include <optional>

#include "config/specimen.h"
#include "core/survey_result.h"

namespace trunnion::survey {

// A finding where the survey's backdrop contradicts `kind`; lightness and chroma are those of CIE
// L*a*b*, with wide limits: a dim grey card passes for grey and for black.
std::optional<Finding> contradiction(const SurveyResult& survey, BackdropKind kind);

}  // namespace trunnion::survey
