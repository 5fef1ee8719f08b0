// The survey's result as bytes for the journal, so that a later run skips the survey pass.
#pragma once

#include <string>
#include <string_view>

#include "core/survey_result.h"

namespace trunnion {

std::string survey_to_bytes(const SurveyResult& survey);

// Throws a data error where the bytes are damaged.
SurveyResult survey_from_bytes(std::string_view bytes);

}  // namespace trunnion
