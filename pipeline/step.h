// What the declaration of a step is made of. A step is declared once, in the list of its kind
// (image_steps.cpp, set_steps.cpp): its name as people read it, the settings that it reads, what
// else it depends on, its function, what the journal keeps of it, what the report shows of it.
// Progress, timing, fingerprints, reuse, resuming and the report follow from the lists.
#pragma once

#include <string_view>
#include <vector>

#include "config/settings.h"
#include "pipeline/archive.h"
#include "pipeline/fingerprint.h"

namespace trunnion {

// What a run is for: `check` runs the steps of `prepare` marked `in_check`, on fewer images.
enum class Job { prepare, check };

// "mask": every key of a table of specimen.toml; "output.type": one key.
using SettingsKeys = std::vector<std::string_view>;

// A step's name and its settings as written, the beginning of its fingerprint.
inline Fingerprint fingerprint_of(std::string_view name, const SettingsKeys& keys,
                                  const Settings& settings) {
  Fingerprint print(name);
  for (const std::string_view key : keys) print.add(key).add(settings.text_of(key));
  return print;
}

// The fields of a value that the journal keeps, for both directions (archive.h).
template <typename Value>
struct Kept {
  void (*write)(ArchiveWriter&, Value&) = [](ArchiveWriter&, Value&) {};
  void (*read)(ArchiveReader&, Value&) = [](ArchiveReader&, Value&) {};
};

// `fields` is a lambda (auto& archive, Value& value) without captures that lists them.
template <typename Value, typename Fields>
constexpr Kept<Value> kept(Fields /*fields*/) {
  return {[](ArchiveWriter& archive, Value& value) { Fields{}(archive, value); },
          [](ArchiveReader& archive, Value& value) { Fields{}(archive, value); }};
}

}  // namespace trunnion
