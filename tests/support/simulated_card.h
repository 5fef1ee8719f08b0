// Invented cards of focus series: frames with times, numbers, settings and previews, and the truth.
//
// Timing, fixed: a frame every 0.5 to 6 s with 20 % jitter (standard deviation); 2 to
// 600 s between series, on half of the cards about one value of the card's own; pauses in a series
// up to 180 s; clocks of one second without sub-seconds on half of the cards; up to 2 % of frames
// missing, double or failed on every card that is not clean.
//
// The previews are computed: some forty soft spots on a solid that turns from station to station,
// each blurred by its distance from the plane of focus, with noise and light that varies by 2 %.
// There are no raw files of a camera here; write_card() makes small TIFF/EP files of its own.
#pragma once

#include <cstdint>
#include <filesystem>
#include <string>
#include <vector>

#include "stages/gather/gather.h"

namespace trunnion::test {

enum class Trouble {
  clean,
  started_twice,    // whole series shot again
  aborted,          // given up and begun again
  missing,          // 2 % of the frames, half of them with a gap in the numbers
  twice,            // 2 % of the frames taken twice
  failed,           // 2 % of the frames black or unreadable
  test_shots,       // between the series
  pauses,           // within series
  clock_changed,    // once or twice
  two_rings,        // with numbers of frames of their own
  other_order,      // of the stations, by the table
  last_incomplete,  //
  two_folders,      // and file numbers that roll over
};
inline constexpr int kTroubles = 13;  // clean, and twelve kinds of trouble
[[nodiscard]] const char* name_of(Trouble trouble);

struct TrueFrame {
  int part = 0;         // counts up at every part
  int expected = -1;    // station; -1: a test shot
  bool whole = true;    // of a series that was not given up
  bool failed = false;  // black or unreadable
  bool twice = false;   // at the place of the one before
};

struct SimulatedCard {
  std::vector<gather::Frame> frames;  // in the order of shooting
  std::vector<TrueFrame> truth;       // one a frame
  std::vector<gather::Expected> expected;
};

struct CardOptions {
  int stations = 24;
  bool counts_known = true;  // false: expected has no numbers of frames
};

SimulatedCard simulated_card(Trouble trouble, std::uint64_t seed, const CardOptions& options = {});

// Writes the frames below `root` as TIFF/EP files (ISO 12234-2) of a few kilobytes: a JPEG preview,
// Exif with date, sub-seconds and settings, and a mosaic of noise that no two share. Unreadable
// frames become files of noise. Every second card by `seed` carries sub-seconds.
void write_card(const SimulatedCard& card, const std::filesystem::path& root);

}  // namespace trunnion::test
