// Outputs of a workspace: which of them are current, which are left from another run. Done means
// recorded size and hash, not that a file exists.
#pragma once

#include <filesystem>
#include <mutex>
#include <set>
#include <string>
#include <vector>

#include "pipeline/journal.h"

namespace trunnion {

class OutputStore {
 public:
  // `full_check` compares hashes. Otherwise equal size and time stamp are enough; where only the
  // time stamp differs, as in a copied workspace, the hash decides and the new stamp is recorded.
  OutputStore(Journal& journal, std::filesystem::path root, bool full_check)
      : journal_(journal), root_(std::move(root)), full_check_(full_check) {}

  // True where the output was made with this fingerprint and is still as it was written. Marks it
  // as belonging to this run either way.
  bool current(const std::string& relative, const std::string& fingerprint);

  // True where the output was made with a fingerprint that begins so and is still as it was
  // written. Says nothing of whether it belongs to this run.
  [[nodiscard]] bool made_from(const std::string& relative, const std::string& beginning);

  // Records an output that was just committed.
  void record(const std::string& relative, const std::string& fingerprint);

  // The same for every file in a folder that was just committed as a whole.
  void record_folder(const std::string& relative, const std::string& fingerprint);

  // Everything recorded in this run.
  [[nodiscard]] std::vector<RecordedOutput> kept();

  // True where every recorded output is still as it was written. Marks all as belonging to this
  // run.
  bool all_current();

  // Hash of all that is recorded of the outputs.
  [[nodiscard]] std::string digest();

  // Removes recorded outputs that do not belong to this run; returns their names. Files that
  // trunnion did not write are never touched.
  std::vector<std::string> remove_stale();

 private:
  [[nodiscard]] bool untouched(const RecordedOutput& recorded);

  Journal& journal_;
  std::filesystem::path root_;
  bool full_check_;
  std::mutex mutex_;
  std::set<std::string> kept_;
};

}  // namespace trunnion
