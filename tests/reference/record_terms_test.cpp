// The specimen's record in written images, as exiftool (Debian libimage-exiftool-perl) reads it,
// and the names of Darwin Core as it knows them; skipped where it is not installed.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <nlohmann/json.hpp>

#include "config/specimen_record.h"
#include "core/image_io.h"
#include "tests/support/open_data.h"
#include "tests/support/outside_programs.h"
#include "tests/support/rich_metadata.h"
#include "tests/support/samples.h"

namespace trunnion {
namespace record_terms_test {

using test::installed;
using test::run;
using ::testing::HasSubstr;

SpecimenRecord whole() {
  return {"B 1234",
          "MUS",
          "Coleoptera",
          "Carabus auratus Linnaeus, 1761",
          "lang=\"de\" is no language here, \"quoted\" & <marked>",
          "Wood near the lake\n3 May 1911",
          "https://creativecommons.org/licenses/by/4.0/",
          "© 2026 Museum",
          "Museum, of the town"};
}

annotate::Annotation annotation_with(const SpecimenRecord& record, FileType type,
                                     const Metadata& source) {
  Scene scene = test::sample_scene();
  scene.record = record;
  annotate::AnnotationInput input;
  input.type = type;
  input.source_hash = "0123";
  return annotate::make_annotation(scene, 3, test::sample_setup(), source, {}, input);
}

nlohmann::json read_back(const SpecimenRecord& record, FileType type, const Metadata& source = {}) {
  const test::TemporaryFolder folder;
  const fs::path file = folder.path() / (std::string("view") + extension_of(type));
  write_image(file, test::sample_image(60, 40, CV_8U, 3), {type, true, 97});
  annotate::annotate(file, annotation_with(record, type, source));
  EXPECT_EQ(run("exiftool -s3 -a -validate -warning -error '" + file.string() + "'").out, "OK\n");
  return nlohmann::json::parse(run("exiftool -j -n -struct -G1 '" + file.string() + "'").out).at(0);
}

// Names and forms of the properties: XMP specification part 1 (ISO 16684-1), 8.4 Dublin Core
// and 8.7 XMP Rights Management, as exiftool has them.
TEST(RecordTerms, AreReadByExiftoolUnderTheStandardsNames) {
  if (!installed("exiftool")) GTEST_SKIP() << "SKIPPED: libimage-exiftool-perl is not installed";
  for (const FileType type : {FileType::tiff, FileType::png, FileType::jpeg}) {
    const auto tags = read_back(whole(), type);
    EXPECT_EQ(tags["XMP-dc:Identifier"], "B 1234");
    EXPECT_EQ(tags["XMP-dc:Publisher"], nlohmann::json({"MUS"}));
    EXPECT_EQ(tags["XMP-dc:Subject"], nlohmann::json({"Carabus auratus Linnaeus, 1761"}));
    EXPECT_EQ(tags["XMP-dc:Description"], whole().description);
    EXPECT_EQ(tags["XMP-dc:Rights"], "© 2026 Museum");
    EXPECT_EQ(tags["XMP-xmpRights:Owner"], nlohmann::json({"Museum, of the town"}));
    EXPECT_EQ(tags["XMP-xmpRights:WebStatement"], whole().licence);
    EXPECT_FALSE(tags.contains("XMP-xmpRights:UsageTerms"));
    EXPECT_EQ(tags["XMP-trunnion:VerbatimLabel"], whole().label);
    EXPECT_EQ(tags["XMP-trunnion:CatalogNumber"], "B 1234");
  }
}

TEST(RecordTerms, ALicenceInWordsIsNoWebAddress) {
  if (!installed("exiftool")) GTEST_SKIP() << "SKIPPED: libimage-exiftool-perl is not installed";
  SpecimenRecord record;
  record.licence = "CC BY 4.0, see https://creativecommons.org";
  record.label = "only a label";
  const auto tags = read_back(record, FileType::tiff);
  EXPECT_EQ(tags["XMP-xmpRights:UsageTerms"], record.licence);
  EXPECT_FALSE(tags.contains("XMP-xmpRights:WebStatement"));
  EXPECT_EQ(tags["XMP-dc:Description"], "only a label");
  EXPECT_FALSE(tags.contains("XMP-dc:Identifier"));
}

TEST(RecordTerms, WhatTheSourceSaysOtherwiseIsReplacedWithAMessage) {
  if (!installed("exiftool")) GTEST_SKIP() << "SKIPPED: libimage-exiftool-perl is not installed";
  initialise_metadata();
  Metadata source;
  source.xmp["Xmp.dc.rights"] = "lang=\"x-default\" earlier";
  source.xmp["Xmp.dc.subject"] = "kept where nothing is known";
  SpecimenRecord record;
  record.rights = "later";
  const auto tags = read_back(record, FileType::tiff, source);
  EXPECT_EQ(tags["XMP-dc:Rights"], "later");
  EXPECT_EQ(tags["XMP-dc:Subject"], nlohmann::json({"kept where nothing is known"}));
  std::string said;
  for (const Finding& each : annotation_with(record, FileType::tiff, source).findings) {
    said += each.what + "\n";
  }
  EXPECT_THAT(said, HasSubstr("dc.rights of the source were replaced"));
}

// exiftool lists Darwin Core's terms with the class that each belongs to in front:
// OccurrenceCatalogNumber, RecordInstitutionCode. verbatimLabel is younger than its list.
TEST(RecordTerms, ColumnsBearTheNamesOfDarwinCore) {
  if (!installed("exiftool")) GTEST_SKIP() << "SKIPPED: libimage-exiftool-perl is not installed";
  const std::string known = run("exiftool -listx -XMP-dwc:all").out;
  int checked = 0;
  for (const RecordTerm& term : kRecordTerms) {
    std::string name = term.term;
    if (!name.starts_with("dwc:") || name == "dwc:verbatimLabel") continue;
    name = name.substr(4);
    name.front() = static_cast<char>(std::toupper(name.front()));
    bool found = false;
    for (const char* of : {"Occurrence", "Record", "Taxon"}) {
      found = found || known.find("'" + (of + name) + "'") != std::string::npos;
    }
    EXPECT_TRUE(found) << term.term;
    ++checked;
  }
  EXPECT_EQ(checked, 4);
}

}  // namespace record_terms_test
}  // namespace trunnion
