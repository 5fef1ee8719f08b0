#include "core/csv.h"

#include <gtest/gtest.h>

#include "core/error.h"

namespace trunnion {
namespace csv_test {

// Formula injection: OWASP, "CSV Injection": cells that begin with = + - @, tab or carriage return.
TEST(Csv, TextCellsNeverBeginLikeFormulas) {
  EXPECT_EQ(csv_cell("=1+1"), "'=1+1");
  EXPECT_EQ(csv_cell("+1"), "'+1");
  EXPECT_EQ(csv_cell("-1"), "'-1");
  EXPECT_EQ(csv_cell("@SUM(A1)"), "'@SUM(A1)");
  EXPECT_EQ(csv_cell("\t=1"), "'\t=1");
  EXPECT_EQ(csv_cell("\r=1"), "\"'\r=1\"");
  EXPECT_EQ(csv_cell("=HYPERLINK(\"x\",\"y\")"), "\"'=HYPERLINK(\"\"x\"\",\"\"y\"\")\"");
}

// RFC 4180, section 2, 6 and 7.
TEST(Csv, QuotesWhereACellNeedsIt) {
  EXPECT_EQ(csv_cell("low, \"left\""), "\"low, \"\"left\"\"\"");
  EXPECT_EQ(csv_cell("two\nlines"), "\"two\nlines\"");
  EXPECT_EQ(csv_cell("plain"), "plain");
  EXPECT_EQ(csv_cell(""), "");
}

// RFC 4180, section 2: 1 (CR LF), 2 (the last line may lack its end), 6 (line breaks and commas in
// quotes) and 7 (a quotation mark inside a quoted cell is doubled).
TEST(Csv, ReadsWhatTheStandardAllows) {
  using Rows = std::vector<std::vector<std::string>>;
  EXPECT_EQ(parse_csv("a,b\r\nc,d", "x"), (Rows{{"a", "b"}, {"c", "d"}}));
  EXPECT_EQ(parse_csv("a,b\nc,\n", "x"), (Rows{{"a", "b"}, {"c", ""}}));
  EXPECT_EQ(parse_csv("\"a \"\"b\"\"\",\"c,\r\nd\"\r\n", "x"), (Rows{{"a \"b\"", "c,\r\nd"}}));
  EXPECT_EQ(parse_csv("", "x"), Rows{});
}

TEST(Csv, ReadsBackWhatItWrites) {
  for (const std::string text : {"plain", "a,b", "a \"b\" c", "two\nlines", "two\r\nlines", "\""}) {
    EXPECT_EQ(parse_csv(csv_cell(text) + ",next\n", "x").at(0).at(0), text);
  }
}

TEST(Csv, AnOpenQuotationMarkIsADataError) {
  try {
    parse_csv("a,\"b\n", "table.csv");
    FAIL();
  } catch (const Error& error) {
    EXPECT_EQ(error.kind(), Error::Kind::data);
    EXPECT_TRUE(std::string(error.what()).starts_with("table.csv: "));
  }
}

}  // namespace csv_test
}  // namespace trunnion
