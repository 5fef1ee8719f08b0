// What a demo folder was made with, DIR/.trunnion-demo.json: lets an unchanged set stand as it is,
// removes what an earlier set left behind, and keeps a demo out of folders that hold other things.
#pragma once

#include <filesystem>
#include <map>
#include <string>

#include "datasets/demo_set.h"

namespace trunnion::demo {

struct DemoRecord {
  std::string made_with;  // every option that changes bytes, and the program's own hash
  std::map<std::string, std::string> files;  // relative path -> content hash
  DemoSummary summary;
  bool complete = false;
};

std::string made_with(const DemoOptions& options);

// Throws a data error where the folder holds things but no demo set.
DemoRecord read_demo_record(const std::filesystem::path& folder);
void write_demo_record(const std::filesystem::path& folder, const DemoRecord& record);

// Whether every listed file is there with its content.
bool holds(const std::filesystem::path& folder, const DemoRecord& record);

// Removes files of `before` that `now` does not list.
void remove_stale(const std::filesystem::path& folder, const DemoRecord& before,
                  const DemoRecord& now);

}  // namespace trunnion::demo
