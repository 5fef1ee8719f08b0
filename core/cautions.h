// Cautions where capture touches people or the specimen: one wording each, shown by `trunnion
// plan`, the shot list, the report page and docs/safety.md (a test holds that page to this list).
// Common practice unless docs/safety.md names a source; not a risk assessment.
#pragma once

#include <span>
#include <string_view>

namespace trunnion {

struct Caution {
  std::string_view subject;
  std::string_view text;  // one line, plain ASCII
};

// Who decides: stands above the list wherever it is shown.
std::string_view cautions_rule();

// All of them, always in the same order. None depends on the plan.
std::span<const Caution> cautions();

}  // namespace trunnion
