// What the demo can be asked for, and which wishes it refuses.
#include <fmt/format.h>

#include <array>
#include <charconv>
#include <cmath>

#include "core/error.h"
#include "datasets/demo_set.h"

namespace trunnion::demo {
namespace {

struct FaultWord {
  const char* name;
  std::optional<double> otherwise;  // value where none is given; none: the value must be given
  bool takes_value;
  const char* meaning;
};
constexpr std::array<FaultWord, 12> kFaults{{
    {"exposure", std::nullopt, true, "gain of every image, 0.05 to 3"},
    {"drift", 0.15, true, "share by which the exposure grows along a ring"},
    {"missing", std::nullopt, true, "station of the first ring that is missing"},
    {"slip", std::nullopt, true, "station of the first ring from which the stage has slipped"},
    {"reversed", 0.0, false, "the stage turned in the opposite direction to specimen.toml"},
    {"blur-band", 0.5, true, "a tenth of the depth is out of focus, at this share of the depth"},
    {"blurred", std::nullopt, true, "station of the first ring, the only one out of focus there"},
    {"dim", std::nullopt, true, "station of the first ring with a third of a stop less light"},
    {"covered", std::nullopt, true, "station of the first ring where a card hides half the view"},
    {"trails", 0.02, true, "dust smeared radially by this share of its radius, each way"},
    {"no-dust", 0.0, false, "a clean sensor"},
    {"stage-edge", 0.0, false, "the rim of the stage is in the frame"},
}};

void check(bool good, const std::string& what) {
  if (!good) throw usage_error(what);
}

}  // namespace

std::string fault_list() {
  std::string list;
  for (const FaultWord& word : kFaults) {
    std::string value;
    if (word.takes_value) {
      value = word.otherwise ? fmt::format("[:{}]", *word.otherwise) : std::string(":VALUE");
    }
    list += fmt::format("  {:<18} {}\n", word.name + value, word.meaning);
  }
  return list;
}

void add_fault(Faults& faults, const std::string& text) {
  const std::size_t colon = text.find(':');
  const std::string name = text.substr(0, colon);
  const FaultWord* word = nullptr;
  for (const FaultWord& candidate : kFaults) {
    if (name == candidate.name) word = &candidate;
  }
  if (word == nullptr) {
    throw usage_error(
        fmt::format("--fault {}: no fault of that name; there are:\n{}", text, fault_list()));
  }
  double value = word->otherwise.value_or(0.0);
  if (colon != std::string::npos) {
    const char* end = text.data() + text.size();
    const auto parsed = std::from_chars(text.data() + colon + 1, end, value);
    check(
        word->takes_value && parsed.ec == std::errc() && parsed.ptr == end && std::isfinite(value),
        fmt::format("--fault {}: {} takes {}.", text, name,
                    word->takes_value ? "a number after the colon" : "no value"));
  } else {
    check(word->otherwise.has_value(),
          fmt::format("--fault {}: give a value, {}:VALUE ({}).", text, name, word->meaning));
  }
  const auto whole = [&] {
    check(value >= 0 && value < 100'000 && value == std::floor(value),
          fmt::format("--fault {}: give the number of a station, from 0.", text));
    return static_cast<int>(value);
  };
  if (name == "exposure") faults.exposure = value;
  if (name == "drift") faults.drift = value;
  if (name == "missing") faults.missing = whole();
  if (name == "slip") faults.slip = whole();
  if (name == "reversed") faults.reversed = true;
  if (name == "blur-band") faults.blur_band = value;
  if (name == "blurred") faults.blurred = whole();
  if (name == "dim") faults.dim = whole();
  if (name == "covered") faults.covered = whole();
  if (name == "trails") faults.trails = value;
  if (name == "no-dust") faults.no_dust = true;
  if (name == "stage-edge") faults.stage_edge = true;
}

void check_options(const DemoOptions& o) {
  const auto within = [](const char* option, double value, double low, double high) {
    check(value >= low && value <= high,
          fmt::format("{} is {}, but must be {} to {}.", option, value, low, high));
  };
  within("--rings", o.rings, 1, 12);
  within("--stations", o.stations, 3, 1000);
  within("--frames", o.frames, 0, 100);
  check(o.frames == 0 || o.frames >= 5, "--frames must be 0 or at least 5: fewer make no series.");
  within("--width", o.width_px, 144, 20'000);
  within("--height", o.height_px, 144, 20'000);
  const double aspect = static_cast<double>(o.width_px) / o.height_px;
  check(aspect >= 1.0 && aspect <= 2.5,
        fmt::format("--width {} and --height {} make a frame of {:.2f}:1, but it must be 1:1 to "
                    "2.5:1 so that the specimen fits.",
                    o.width_px, o.height_px, aspect));
  check(o.bits == 8 || o.bits == 16, fmt::format("--bits is {}, but must be 8 or 16.", o.bits));
  check(o.type != FileType::jpeg || o.bits == 8,
        "--type jpeg allows 8 bits only; add --bits 8 or choose tiff or png.");
  const Faults& f = o.faults;
  within("--fault exposure", f.exposure, 0.05, 3.0);
  within("--fault drift", f.drift, -0.9, 2.0);
  within("--fault blur-band", f.blur_band.value_or(0.5), 0.0, 1.0);
  within("--fault trails", f.trails, 0.0, 0.2);
  for (const std::optional<int>& station : {f.missing, f.slip, f.blurred, f.dim, f.covered}) {
    check(!station || *station < o.stations,
          fmt::format("--fault: station {} does not exist; a ring has stations 0 to {}.",
                      station.value_or(0), o.stations - 1));
  }
}

}  // namespace trunnion::demo
