// The journal of a workspace: what was done from which inputs, so that a re-run does only what
// changed. SQLite (WAL on local disks): a kill at any point leaves the last committed state.
//
// A step is one stage's work on one image (or on the set: key ""). Its fingerprint is a hash of
// everything it depends on; its payload is the stage's small result. An output is a file under its
// final name with its recorded size and hash: done means recorded, not that a file exists.
//
// Each row carries a checksum, since damage to a page's content is none to the database. Whatever
// damage is found, JournalDamaged is thrown, and with_sound_journal() starts the journal again:
// everything in it can be computed again. What can't be written (a full disk) is no damage: an
// output error, and the journal stays.
//
// Calls are safe from several threads; they are serialised.
#pragma once

#include <cstdint>
#include <filesystem>
#include <memory>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "core/error.h"

namespace trunnion {

// Part of the journal can't be believed. Not a data error: it says nothing of an input.
class JournalDamaged : public Error {
 public:
  explicit JournalDamaged(const std::filesystem::path& file);
};

struct RecordedOutput {
  std::string path;  // relative to the workspace, forward slashes
  std::uintmax_t bytes = 0;
  std::int64_t modified_ns = 0;
  std::string hash;
  std::string fingerprint;  // of the step that made it
};

class Journal {
 public:
  enum class IfDamaged { start_again, refuse };
  // Opens or creates; a journal of another version, or one whose damage shows at once, is started
  // again or refused by JournalDamaged.
  explicit Journal(const std::filesystem::path& file,
                   IfDamaged if_damaged = IfDamaged::start_again);
  ~Journal();
  Journal(const Journal&) = delete;
  Journal& operator=(const Journal&) = delete;

  // Payload of a step where it was done with this fingerprint.
  std::optional<std::string> find(const std::string& key, const std::string& stage,
                                  const std::string& fingerprint);
  // The same question without reading the payload.
  bool holds(const std::string& key, const std::string& stage, const std::string& fingerprint);
  void record(const std::string& key, const std::string& stage, const std::string& fingerprint,
              std::string_view payload);

  // Content hash of an input, remembered by size and time stamp.
  std::string input_hash(const std::filesystem::path& file);

  std::optional<RecordedOutput> output(const std::string& path);
  std::vector<RecordedOutput> outputs();
  void record_output(const RecordedOutput& output);
  void forget_output(const std::string& path);

 private:
  struct Database;
  std::unique_ptr<Database> database_;
};

// Removes the journal where it exists.
void remove_journal(const std::filesystem::path& file);

// Puts a copy in the journal's place: whoever has the old one open writes to a file without a name.
void renew_journal(const std::filesystem::path& file);

// Runs `work`, which opens the journal in `file`; once more with an empty journal where it was
// found to be damaged.
template <typename Work>
auto with_sound_journal(const std::filesystem::path& file, const Work& work) {
  try {
    return work();
  } catch (const JournalDamaged&) {
    remove_journal(file);
  }
  return work();
}

// Size and time stamp of a file; zero where it is absent.
struct FileStamp {
  std::uintmax_t bytes = 0;
  std::int64_t modified_ns = 0;
  friend bool operator==(const FileStamp&, const FileStamp&) = default;
};
FileStamp stamp_of(const std::filesystem::path& file);

}  // namespace trunnion
