// Lines of series-corrected.csv stand against what gather would find; the rest is divided by
// gather.
#include "pipeline/gather/corrected_series.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "core/error.h"
#include "tests/support/card_seeds.h"
#include "tests/support/simulated_card.h"

namespace trunnion {
namespace gather_corrected_test {

class CorrectedSeries : public testing::Test {
 protected:
  CorrectedSeries()
      : card(test::simulated_card(test::Trouble::clean, test::kFirstTuningSeed, {.stations = 6})),
        found(gather::gather_series(card.frames, card.expected)) {}

  [[nodiscard]] SeriesRow row_of(const gather::Part& part) const {
    SeriesRow row;
    row.state = "whole";
    if (part.expected >= 0) {
      row.ring = card.expected[static_cast<std::size_t>(part.expected)].ring;
      row.station = card.expected[static_cast<std::size_t>(part.expected)].station;
    }
    row.first = name(part.first);
    row.last = name(part.last);
    return row;
  }
  [[nodiscard]] std::string name(std::size_t i) const {
    return std::filesystem::path(card.frames[i].file).filename().string();
  }
  [[nodiscard]] gather::Gathering with(const std::vector<SeriesRow>& rows) const {
    return gather_with_corrections(card.frames, card.expected, rows, {});
  }
  void expect_refused(const std::vector<SeriesRow>& rows, const std::string& word) const {
    try {
      (void)with(rows);
      ADD_FAILURE() << "taken: " << word;
    } catch (const Error& error) {
      EXPECT_THAT(error.what(), testing::HasSubstr(word));
      EXPECT_THAT(error.what(), testing::HasSubstr("series-corrected.csv"));
    }
  }

  test::SimulatedCard card;
  gather::Gathering found;
};

TEST_F(CorrectedSeries, ABoundaryThatWasMovedStandsAndTheOthersStay) {
  ASSERT_EQ(found.parts.size(), 6U);
  // The last frame of station 2 belongs to station 3; the first of station 5 is a test shot.
  SeriesRow second = row_of(found.parts[2]);
  second.last = name(found.parts[2].last - 1);
  SeriesRow third = row_of(found.parts[3]);
  third.first = name(found.parts[2].last);
  SeriesRow shot;
  shot.state = "test";
  shot.first = shot.last = name(found.parts[5].first);
  const gather::Gathering now = with({third, shot, second});
  ASSERT_EQ(now.parts.size(), 7U);
  std::size_t next = 0;
  for (const gather::Part& part : now.parts) {
    EXPECT_EQ(part.first, next);
    next = part.last + 1;
  }
  EXPECT_EQ(next, card.frames.size());
  EXPECT_EQ(now.parts[2].last, found.parts[2].last - 1);
  EXPECT_EQ(now.parts[3].first, found.parts[2].last);
  EXPECT_EQ(now.parts[3].expected, 3);
  EXPECT_EQ(now.parts[5].kind, gather::PartKind::test);
  EXPECT_FALSE(now.parts[5].used);
  for (const std::size_t k : {0U, 1U, 4U}) {
    EXPECT_EQ(now.parts[k].first, found.parts[k].first);
    EXPECT_EQ(now.parts[k].last, found.parts[k].last);
    EXPECT_EQ(now.parts[k].expected, static_cast<int>(k));
  }
  EXPECT_EQ(now.parts[6].expected, 5);
}

TEST_F(CorrectedSeries, StationsExchangedByHandStayExchanged) {
  SeriesRow first = row_of(found.parts[1]);
  SeriesRow second = row_of(found.parts[2]);
  std::swap(first.station, second.station);
  const gather::Gathering now = with({first, second});
  ASSERT_EQ(now.parts.size(), 6U);
  EXPECT_EQ(now.parts[1].expected, 2);
  EXPECT_EQ(now.parts[2].expected, 1);
  EXPECT_EQ(now.parts[3].expected, 3);
}

TEST_F(CorrectedSeries, LinesThatCannotBeAreNamed) {
  const SeriesRow good = row_of(found.parts[1]);
  SeriesRow row = good;
  row.last = "nothing.tif";
  expect_refused({row}, "there is no frame nothing.tif");
  row = good;
  std::swap(row.first, row.last);
  expect_refused({row}, "before the first");
  row = good;
  row.station = 99;
  expect_refused({row}, "no such station");
  row = good;
  row.state = "half";
  expect_refused({row}, "no state \"half\"");
  expect_refused({good, good}, "given twice");
  row = row_of(found.parts[2]);
  row.first = good.last;
  expect_refused({good, row}, "in another line too");
}

}  // namespace gather_corrected_test
}  // namespace trunnion
