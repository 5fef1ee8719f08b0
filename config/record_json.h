// The specimen's record as cameras.json and other exports hold it: what is known, by the keys of
// specimen.toml.
#pragma once

#include <nlohmann/json.hpp>

#include "core/specimen_record.h"

namespace trunnion {

inline nlohmann::ordered_json specimen_record_json(const SpecimenRecord& record) {
  nlohmann::ordered_json json = nlohmann::ordered_json::object();
  for (const RecordTerm& term : kRecordTerms) {
    if (!(record.*term.field).empty()) json[term.key] = record.*term.field;
  }
  return json;
}

}  // namespace trunnion
