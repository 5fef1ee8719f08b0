// Gather: frames of many focus series, as they lie on the cards, become series of stations.
//
// The frames are put in the order in which they were taken (file numbers, across the roll-over from
// 9999 to 0001 and several folders), then cut into parts. The most probable way to cut the whole
// sequence is found, not gap by gap: a hidden semi-Markov model (L. R. Rabiner, "A tutorial on
// hidden Markov models", Proc. IEEE 77, 1989, section IV.D: explicit state durations) whose state
// is the next station expected, and whose segments are
//   series     of the next station, about as many frames as planned
//   aborted    fewer frames than planned; the same station comes again
//   repeated   the station before once more, whole
//   test       a few frames that belong to no series
//   partial    the last on the card, not complete
//   extra      of any length and of no station known, where the plan must be wrong
// A segment of c frames has a probability by its kind and c; a gap between frames i and i + 1 has a
// density by its time and by the difference of the previews, one within a series and one between
// two. Times within a series are spread about the card's own interval, or lie anywhere up to a
// pause of 180 s; times between series are spread over 2 to 600 s and about what the card shows.
// Both kinds of densities are fitted to the card itself by a few rounds of expectation and
// maximisation. Forward and backward sums (the same source) give the probability of every cut, so
// that what is uncertain is named, whichever way it was decided.
//
// Frames that failed (black, unreadable) hide what was before the lens: they are taken out of the
// sequence, and given to the side that the times favour.
//
// Deterministic; no thread; no file is read here but by read_frame().
#pragma once

#include <cstddef>
#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "core/finding.h"
#include "core/preview_grids.h"

namespace trunnion::gather {

using trunnion::kGreyHeight;
using trunnion::kGreyWidth;

struct Frame {
  std::string file;    // as given
  std::string folder;  // that it lies in: numbers count up within one
  // Time of exposure, s since 1970 by the camera's clock; with its decimals where they are known.
  std::optional<double> time_s;
  bool subseconds = false;
  std::optional<int> number;  // the digits at the end of the file's name
  std::string settings;       // exposure time, f-number, sensitivity, as one text
  std::vector<float> grey;    // PreviewGrids::grey; empty: no preview
  PreviewGrids grids;         // the others of it; not used here
  bool readable = true;       // false: no metadata and no preview could be read
};

// Metadata (date, sub-seconds, settings) and the embedded preview through Exiv2; JPEG and TIFF
// without a preview are decoded. What can't be read is left empty; never throws for content.
Frame read_frame(const std::filesystem::path& file);

// Sets file, folder and number of a frame from the name that the camera gave it, where it lies
// under another one now.
void name_frame(Frame& frame, const std::filesystem::path& file);

// Indices of `frames` in the order in which they were taken. Folders follow each other by their
// numbers where these join, else by their first time. `findings`: where the two contradict.
std::vector<std::size_t> shooting_order(const std::vector<Frame>& frames, Findings& findings);

// One station, in the order in which the stations were shot.
struct Expected {
  std::string ring;
  int station = 0;
  int frames = 0;  // planned; 0: unknown
};

enum class PartKind { series, repeated, aborted, test, partial, extra };
[[nodiscard]] const char* name_of(PartKind kind);

// Frames `first` to `last` of the order.
struct Part {
  PartKind kind = PartKind::series;
  std::size_t first = 0;
  std::size_t last = 0;
  int expected = -1;      // index of the station; -1: none
  bool used = false;      // the one that stands for its station
  double certainty = 1;   // probability that both ends, the kind and the station are right
  bool doubtful = false;  // certainty or one of its ends is below what is asked

  [[nodiscard]] std::size_t frames() const { return last - first + 1; }
};

// A cut before frame `before` (of the order) that is not certain, whether it was made or not.
struct DoubtfulCut {
  std::size_t before = 0;
  bool made = false;
  double probability = 0;  // that there is one
};

struct GatherOptions {
  bool use_times = true;
  bool use_previews = true;
  // Cuts less certain than this are named. Near test shots the model is surer than it should be.
  double certain = 0.9995;
  double certain_part = 0.98;  // the same of kind and station of a part
  // Cuts that were not made are named from this probability on: one that is missed is a wrong image
  // for good, and a series given up after one frame leaves hardly a trace.
  double possible = 0.0008;
};

struct Gathering {
  std::vector<Part> parts;  // all frames, in order
  std::vector<DoubtfulCut> doubts;
  std::vector<std::size_t> failed;         // frames of the order that are black or unreadable
  std::vector<std::size_t> clock_changes;  // the clock jumps before these frames
  double interval_s = 0;                   // between frames of a series, as this card shows it
};

// `frames` in their order.
Gathering gather_series(const std::vector<Frame>& frames, const std::vector<Expected>& expected,
                        const GatherOptions& options = {});

}  // namespace trunnion::gather
