#include "core/date.h"

#include <gtest/gtest.h>

#include <cstdlib>

#include "core/error.h"

namespace trunnion {
namespace date_test {

class Date : public testing::Test {
 protected:
  ~Date() override { unsetenv("SOURCE_DATE_EPOCH"); }
  static void set(const char* value) { setenv("SOURCE_DATE_EPOCH", value, 1); }
};

// IEEE Std 1003.1, 4.16 "Seconds since the Epoch": 1 000 000 000 s and the leap day of 2000 worked
// out by its formula (from memory).
TEST_F(Date, CountsSecondsAsPosix) {
  EXPECT_EQ(iso_date(0), "1970-01-01T00:00:00Z");
  EXPECT_EQ(iso_date(1'000'000'000), "2001-09-09T01:46:40Z");
  EXPECT_EQ(iso_date(951'782'400), "2000-02-29T00:00:00Z");
  EXPECT_EQ(exif_date(1'000'000'000), "2001:09:09 01:46:40");
}

TEST_F(Date, TheVariableReplacesTheClock) {
  set("1000000000");
  EXPECT_EQ(source_date(), 1'000'000'000);
  EXPECT_EQ(iso_date_of_run(), "2001-09-09T01:46:40Z");
}

TEST_F(Date, WithoutTheVariableTheClockCounts) {
  for (const bool empty : {false, true}) {
    unsetenv("SOURCE_DATE_EPOCH");
    if (empty) set("");
    EXPECT_FALSE(source_date().has_value());
    EXPECT_GT(iso_date_of_run(), "2026");
  }
}

// POSIX.1-2017, 4.16: seconds since the epoch of a date in UTC; 1234567890 is 2009-02-13T23:31:30Z.
TEST(SecondsSince1970, OfBothSpellings) {
  EXPECT_EQ(seconds_since_1970("2009:02:13 23:31:30"), 1234567890.0);
  EXPECT_EQ(seconds_since_1970("2009-02-13T23:31:30.25"), 1234567890.25);
  EXPECT_EQ(seconds_since_1970("1970-01-01T00:00:00"), 0.0);
  for (const char* text : {"", "0000:00:00 00:00:00", "2026:02:30 00:00:00", "2026:11:30 24:00:00",
                           "2026:11:30 02:53:nan", "2026:11:30 02:-3:00", "2026:11:30"}) {
    EXPECT_FALSE(seconds_since_1970(text).has_value()) << text;
  }
}

// A misspelt value would silently date everything 1970.
TEST_F(Date, AMisspeltVariableIsAUsageError) {
  for (const char* value : {"yesterday", "12 ", "1e9", "-1", "99999999999999999999"}) {
    set(value);
    try {
      source_date();
      ADD_FAILURE() << value;
    } catch (const Error& error) {
      EXPECT_EQ(error.kind(), Error::Kind::usage);
      EXPECT_NE(std::string(error.what()).find("SOURCE_DATE_EPOCH"), std::string::npos);
    }
  }
}

}  // namespace date_test
}  // namespace trunnion
