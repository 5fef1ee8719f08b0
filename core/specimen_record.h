// What a collection knows of a specimen: its number, name, label and rights. Terms of Darwin Core
// (TDWG, Darwin Core quick reference guide) and DCMI Metadata Terms; every field is a text, empty
// where nothing is known.
#pragma once

#include <array>
#include <string>

namespace trunnion {

struct SpecimenRecord {
  std::string catalogue_number;  // unique in the collection
  std::string institution;
  std::string collection;
  std::string taxon;
  std::string description;
  std::string label;  // as it is written on the label, with its line breaks
  std::string licence;
  std::string rights;
  std::string rights_holder;

  [[nodiscard]] bool empty() const { return *this == SpecimenRecord{}; }
  friend bool operator==(const SpecimenRecord&, const SpecimenRecord&) = default;
};

struct RecordTerm {
  const char* key;  // in specimen.toml and cameras.json
  std::string SpecimenRecord::*field;
  const char* term;   // of the standard: the column's name in a table
  const char* title;  // for people
};

// dwc: of Darwin Core, dcterms: and dc: of DCMI; columns are written with the prefix or without.
inline constexpr std::array<RecordTerm, 9> kRecordTerms{{
    {"catalogue_number", &SpecimenRecord::catalogue_number, "dwc:catalogNumber",
     "Catalogue number"},
    {"institution", &SpecimenRecord::institution, "dwc:institutionCode", "Institution"},
    {"collection", &SpecimenRecord::collection, "dwc:collectionCode", "Collection"},
    {"taxon", &SpecimenRecord::taxon, "dwc:scientificName", "Taxon"},
    {"description", &SpecimenRecord::description, "dcterms:description", "Description"},
    {"label", &SpecimenRecord::label, "dwc:verbatimLabel", "Label"},
    {"licence", &SpecimenRecord::licence, "dcterms:license", "Licence"},
    {"rights", &SpecimenRecord::rights, "dc:rights", "Rights"},
    {"rights_holder", &SpecimenRecord::rights_holder, "dcterms:rightsHolder", "Rights holder"},
}};

}  // namespace trunnion
