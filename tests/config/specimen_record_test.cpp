#include "config/specimen_record.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "config/settings.h"
#include "core/error.h"

namespace trunnion {
namespace specimen_record_test {

using ::testing::HasSubstr;

constexpr const char* kRing =
    "setup=\"a\"\n[[ring]]\nname=\"a\"\nstations=3\npattern=\"f/{station}.tif\"\n";

std::string mistake_of(const std::string& table) {
  try {
    parse_record_table(table, "specimens.csv");
  } catch (const Error& error) {
    EXPECT_EQ(error.kind(), Error::Kind::data);
    return error.what();
  }
  return "none";
}

TEST(SpecimenRecord, IsReadFromSpecimenToml) {
  const SpecimenRecord record =
      parse_specimen(std::string(kRing) +
                         "[record]\ncatalogue_number = \"B 1234\"\nlabel = \"Wood\\n3 May 1911\"\n"
                         "licence = \"https://creativecommons.org/licenses/by/4.0/\"\n",
                     "/w/s/specimen.toml")
          .specimen.record;
  EXPECT_EQ(record.catalogue_number, "B 1234");
  EXPECT_EQ(record.label, "Wood\n3 May 1911");
  EXPECT_EQ(record.licence, "https://creativecommons.org/licenses/by/4.0/");
  EXPECT_EQ(record.taxon, "");
}

TEST(SpecimenRecord, AMistakeIsNamedWithItsKey) {
  try {
    parse_specimen(std::string(kRing) + "[record]\ncatalog_number = \"1\"\ntaxon = \"a\\u0007\"\n",
                   "/w/s/specimen.toml");
    FAIL() << "accepted";
  } catch (const Error& error) {
    EXPECT_THAT(error.what(), HasSubstr("did you mean \"catalogue_number\""));
    EXPECT_THAT(error.what(), HasSubstr("record.taxon holds a control character"));
  }
}

// Names of Darwin Core (TDWG, https://dwc.tdwg.org/terms/: catalogNumber, institutionCode,
// collectionCode, scientificName, verbatimLabel; there too dcterms:license and
// dcterms:rightsHolder) and DCMI (description, rights), from memory;
// tests/reference/record_terms_test.cpp compares with a program that knows them.
TEST(SpecimenRecord, IsReadFromATableWithTheStandardsNames) {
  const auto rows = parse_record_table(
      "\xEF\xBB\xBF"
      "catalogNumber,dwc:institutionCode,collectionCode,scientificName,dcterms:description,"
      "verbatimLabel,license,dc:rights,dcterms:rightsHolder,individualCount\r\n"
      "B 1,MUS,Col,\"Carabus auratus Linnaeus, 1761\",dry,\"Wood\r\n3 May 1911\",CC BY 4.0,"
      "(c) MUS,MUS,1\r\n\r\n"
      "B 2,MUS,Col,,,,,,,1\r\n",
      "specimens.csv");
  ASSERT_EQ(rows.size(), 2U);
  const SpecimenRecord expected{
      "B 1",       "MUS",     "Col", "Carabus auratus Linnaeus, 1761", "dry", "Wood\r\n3 May 1911",
      "CC BY 4.0", "(c) MUS", "MUS"};
  EXPECT_EQ(rows[0].record, expected);
  EXPECT_EQ(rows[1].record.catalogue_number, "B 2");
  EXPECT_EQ(rows[1].line, 4U);
}

TEST(SpecimenRecord, AColumnGivesTheWorkspace) {
  const auto rows = parse_record_table("workspace,dcterms:rights\na/1,mine\n", "t.csv");
  EXPECT_EQ(rows.at(0).workspace, "a/1");
  EXPECT_EQ(rows.at(0).record.rights, "mine");
}

TEST(SpecimenRecord, MistakesOfATableAreNamed) {
  EXPECT_THAT(mistake_of(""), HasSubstr("is empty"));
  EXPECT_THAT(mistake_of("scientificName\nA\n"), HasSubstr("neither a column catalogNumber"));
  EXPECT_THAT(mistake_of("catalogNumber,dwc:catalogNumber\n1,2\n"), HasSubstr("there twice"));
  EXPECT_THAT(mistake_of("catalogNumber,rights\n1\n"), HasSubstr("row 2: has 1 cells"));
  EXPECT_THAT(mistake_of("catalogNumber,rights\n1,\xE9\n"), HasSubstr("not UTF-8"));
  EXPECT_THAT(mistake_of("catalogNumber,rights\n1,\"a\n"), HasSubstr("never closed"));
  EXPECT_THAT(mistake_of("catalogNumber,rights\n1," + std::string(10'001, 'a') + "\n"),
              HasSubstr("at most 10000"));
}

TEST(SpecimenRecord, WhatIsMissingIsFilled) {
  SpecimenRecord own;
  own.rights = "own";
  SpecimenRecord table;
  table.rights = "table";
  table.taxon = "T";
  const SpecimenRecord both = filled(own, table);
  EXPECT_EQ(both.rights, "own");
  EXPECT_EQ(both.taxon, "T");
}

}  // namespace specimen_record_test
}  // namespace trunnion
