// The report of a collection: a page to sort, filter and search, and the same for programs.
//
//   index.html        the page; pictures and reports of the workspaces are linked, not copied
//   collection.json   format "trunnion collection", version 1 (docs/collection.md describes it)
//   collection.csv    a line a specimen
#pragma once

#include <filesystem>
#include <string>
#include <vector>

#include "config/collection.h"
#include "pipeline/collection/specimens.h"

namespace trunnion::collection {

struct ReportInput {
  const Collection& collection;
  const std::vector<SpecimenState>& specimens;
  const Findings& findings;
  std::string date;  // ISO 8601; empty leaves it out
};

// `folder` is made where it is missing; files of these names in it are replaced.
void write_report(const ReportInput& input, const std::filesystem::path& folder);

}  // namespace trunnion::collection
