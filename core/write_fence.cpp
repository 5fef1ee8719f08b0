#include "core/write_fence.h"

#include <algorithm>
#include <mutex>
#include <shared_mutex>
#include <utility>
#include <vector>

namespace trunnion {
namespace {

namespace fs = std::filesystem;

struct Fence {
  const WriteFence* owner;
  fs::path folder;
  std::string token;
  std::function<void()> check;
};

std::shared_mutex& fences_mutex() {
  static std::shared_mutex mutex;
  return mutex;
}

std::vector<Fence>& fences() {
  static std::vector<Fence> all;
  return all;
}

bool lies_in(const fs::path& path, const fs::path& folder) {
  return std::mismatch(folder.begin(), folder.end(), path.begin(), path.end()).first ==
         folder.end();
}

}  // namespace

WriteFence::WriteFence(const fs::path& folder, std::string token, std::function<void()> check) {
  const fs::path place = fs::absolute(folder).lexically_normal();
  const std::unique_lock lock(fences_mutex());
  fences().push_back({this, place.has_filename() ? place : place.parent_path(), std::move(token),
                      std::move(check)});
}

WriteFence::~WriteFence() {
  const std::unique_lock lock(fences_mutex());
  std::erase_if(fences(), [this](const Fence& fence) { return fence.owner == this; });
}

void check_fence(const fs::path& path) {
  pass_fences(path);
}

std::string pass_fences(const fs::path& path) {
  std::shared_lock lock(fences_mutex());
  if (fences().empty()) return {};
  const fs::path place = fs::absolute(path).lexically_normal();
  std::string token;
  for (const Fence& fence : fences()) {
    if (!lies_in(place, fence.folder)) continue;
    fence.check();
    token = fence.token;
  }
  return token;
}

}  // namespace trunnion
