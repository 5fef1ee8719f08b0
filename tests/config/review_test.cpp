#include "config/review.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "core/error.h"

namespace trunnion {
namespace review_test {

using ::testing::HasSubstr;

Specimen two_rings() {
  Specimen specimen;
  for (const char* name : {"low", "high"}) {
    Ring ring;
    ring.name = name;
    ring.stations = 12;
    specimen.rings.push_back(ring);
  }
  specimen.rings[1].first_station = 1;
  return specimen;
}

Specimen one_ring() {
  Specimen specimen = two_rings();
  specimen.rings.pop_back();
  return specimen;
}

constexpr const char* kWhole = R"(# looked through on a Monday
[[exclude]]   # the pin
ring = "low"
station = 7
reason = "the pin moved"
date = "2026-11-30"

[[accept]]
ring = "high"
station = 12
doubt = "12 % of the mask, it says."
reason = "that is the \"pin\""
date = "2024-02-29"

[[accept]]
doubt = "The lens is not calibrated."
reason = "no board at hand"
date = "2026-11-30"
)";

std::string mistake_of(const std::string& text, const Specimen& specimen = two_rings()) {
  try {
    parse_review(text, "review.toml", specimen);
  } catch (const Error& error) {
    EXPECT_EQ(error.kind(), Error::Kind::data);
    return error.what();
  }
  return "none";
}

TEST(Review, IsReadAsWritten) {
  const Review review = parse_review(kWhole, "review.toml", two_rings());
  ASSERT_EQ(review.excluded.size(), 1U);
  EXPECT_TRUE(review.excludes("low", 7));
  EXPECT_FALSE(review.excludes("high", 7));
  EXPECT_EQ(review.excluded[0].reason, "the pin moved");
  EXPECT_EQ(review.excluded[0].date, "2026-11-30");
  ASSERT_EQ(review.accepted.size(), 2U);
  EXPECT_EQ(review.accepted[0].station, 12);
  EXPECT_EQ(review.accepted[0].reason, "that is the \"pin\"");
  EXPECT_FALSE(review.accepted[1].station.has_value());
}

TEST(Review, TheOnlyRingNeedNotBeNamed) {
  const std::string text = "[[exclude]]\nstation = 3\nreason = \"x\"\ndate = \"2026-01-31\"\n";
  EXPECT_TRUE(parse_review(text, "review.toml", one_ring()).excludes("low", 3));
  EXPECT_THAT(mistake_of(text), HasSubstr("ring"));
}

TEST(Review, AbsentFileIsNoDecision) {
  EXPECT_TRUE(read_review("/nowhere/review.toml", two_rings()).excluded.empty());
}

TEST(Review, EveryMistakeIsNamedWithItsLine) {
  const std::string text =
      "[[exclude]]\nring = \"middle\"\nstation = 1\nreason = \"x\"\ndate = \"2026-11-30\"\n"
      "[[exclude]]\nring = \"low\"\nstation = 12\nreason = \" \"\ndate = \"2026-11-31\"\n"
      "[[accept]]\ndoubt = \"a\"\n";
  const std::string said = mistake_of(text);
  for (const char* part : {"\"middle\"", "has stations 0 to 11", "reason", "2026-11-31", "date"}) {
    EXPECT_THAT(said, HasSubstr(part));
  }
}

// ISO 8601: the Gregorian calendar; 1900 was no leap year, 2000 was.
TEST(Review, DatesAreThoseOfTheCalendar) {
  const auto dated = [](const std::string& date) {
    return "[[exclude]]\nring = \"low\"\nstation = 1\nreason = \"x\"\ndate = \"" + date + "\"\n";
  };
  for (const char* good : {"2000-02-29", "2026-12-31", "2026-04-30"}) {
    EXPECT_EQ(mistake_of(dated(good)), "none") << good;
  }
  for (const char* bad : {"1900-02-29", "2026-02-30", "2026-13-01", "2026-00-10", "30.11.2026",
                          "2026-11-3", "2026-11-0x", ""}) {
    EXPECT_THAT(mistake_of(dated(bad)), HasSubstr("date")) << bad;
  }
}

TEST(Review, NothingIsDecidedTwiceOrAcrossLines) {
  const std::string out =
      "[[exclude]]\nring = \"low\"\nstation = 1\nreason = \"x\"\ndate = \"2026-11-30\"\n";
  EXPECT_THAT(mistake_of(out + out), HasSubstr("excluded twice"));
  const std::string in = "[[accept]]\ndoubt = \"d\"\nreason = \"x\"\ndate = \"2026-11-30\"\n";
  EXPECT_THAT(mistake_of(in + in), HasSubstr("accepted twice"));
  EXPECT_THAT(mistake_of("[[accept]]\ndoubt = \"a\\nb\"\nreason = \"x\"\ndate = \"2026-11-30\"\n"),
              HasSubstr("one line"));
}

TEST(Review, LaterFormatIsRefusedByName) {
  EXPECT_THAT(mistake_of("format = 2\n"), HasSubstr("later version"));
}

TEST(Review, WhatIsAddedIsReadBack) {
  const Exclusion out{"high", 4, "said \"so\" \\ twice", "2026-11-30"};
  const Acceptance in{"low", 2, "", "A # in it: [[exclude]]", "r\u00e9ason", "2026-11-30"};
  const Review review = parse_review(kWhole + review_toml(out) + review_toml(in), "x", two_rings());
  ASSERT_EQ(review.excluded.size(), 2U);
  EXPECT_EQ(review.excluded[1].reason, out.reason);
  ASSERT_EQ(review.accepted.size(), 3U);
  EXPECT_EQ(review.accepted[2].doubt, in.doubt);
  EXPECT_EQ(review.accepted[2].reason, in.reason);
}

TEST(Review, ATableIsTakenOutAndTheRestStaysAsWritten) {
  const std::string without = without_table(kWhole, "accept", 0);
  EXPECT_THAT(without, HasSubstr("# looked through on a Monday\n[[exclude]]   # the pin\n"));
  const Review review = parse_review(without, "x", two_rings());
  EXPECT_EQ(review.excluded.size(), 1U);
  ASSERT_EQ(review.accepted.size(), 1U);
  EXPECT_EQ(review.accepted[0].doubt, "The lens is not calibrated.");
  EXPECT_TRUE(parse_review(without_table(kWhole, "exclude", 0), "x", two_rings()).excluded.empty());
  EXPECT_EQ(without_table(kWhole, "exclude", 1), kWhole);
}

}  // namespace review_test
}  // namespace trunnion
