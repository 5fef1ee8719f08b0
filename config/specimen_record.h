// The record of a specimen as the user gives it: the table [record] of specimen.toml,
//   [record]
//   catalogue_number = "B 1234"
//   institution = "MUS"            # its code or name
//   collection = "Coleoptera"
//   taxon = "Carabus auratus Linnaeus, 1761"
//   description = "Pinned adult"
//   label = "Wood near the lake\n3 May 1911"
//   licence = "https://creativecommons.org/licenses/by/4.0/"
//   rights = "(c) 2026 Museum"
//   rights_holder = "Museum"
// or a row of the collection's table (config/collection.h), a CSV file whose columns bear the names
// of Darwin Core and Dublin Core: catalogNumber or dwc:catalogNumber, license or dcterms:license.
// What a column "workspace" holds is the folder of the specimen, relative to the collection.
#pragma once

#include <filesystem>
#include <string>
#include <string_view>
#include <vector>

#include "config/toml_reader.h"
#include "core/specimen_record.h"

namespace trunnion {

// Reads the table [record].
SpecimenRecord record_from(TomlReader table);

struct RecordRow {
  std::string workspace;  // empty where the table has no such column
  SpecimenRecord record;
  std::size_t line = 0;  // row of the table, the head being 1
};

// Columns of other names are left alone. Throws one data error with every mistake.
std::vector<RecordRow> parse_record_table(std::string_view text, const std::string& name);

// Why `text` can't be a field of a record, as the end of a sentence; empty where it can.
std::string record_text_mistake(std::string_view text);

// `first`, filled from `second` where it says nothing.
SpecimenRecord filled(SpecimenRecord first, const SpecimenRecord& second);

}  // namespace trunnion
