#include "pipeline/gather/follow.h"
#include "pipeline/gather/corrected_series.h"

#include <chrono>
#include <map>
#include <set>
#include <thread>

#include "core/error.h"
#include "core/metadata.h"
#include "pipeline/gather/find_frames.h"
#include "pipeline/gather/sequence.h"
#include "pipeline/interrupt.h"

namespace trunnion {
namespace {

using FollowClock = std::chrono::steady_clock;

class Follower {
 public:
  Follower(const GatherRequest& request, const std::function<void(const Finding&)>& say)
      : request_(request),
        say_(say),
        expected_(expected_stations(request.workspace,
                                    read_specimen(request.workspace / "specimen.toml").specimen)) {}

  // True where a frame came.
  bool scan() {
    bool news = false;
    for (const fs::path& file : present()) {
      const FrameSource now = source_of(file);
      FrameSource& before = seen_[file];
      const bool settled = before.same_file(now) && now.bytes > 0;  // no longer being written
      before = now;
      if (!settled || frames_.contains(file)) continue;
      SourceFrame frame{gather::read_frame(file), now, file};
      frames_.emplace(file, std::move(frame));
      news = true;
    }
    if (news) judge();
    return news;
  }

 private:
  std::vector<fs::path> present() const {
    try {
      return find_frames(request_.inputs, request_.workspace).frames;
    } catch (const Error&) {
      return {};  // none yet
    }
  }

  // Faults of frames are certain at once; what is said of the set as a whole waits for the end.
  void judge() {
    std::vector<SourceFrame> sources;
    for (const auto& [file, frame] : frames_) sources.push_back(frame);
    const Sequence sequence =
        analyse(std::move(sources), expected_, read_corrected_series(request_.workspace),
                request_.use_previews);
    for (const Finding& fault : sequence.faults) tell(fault);
    for (const Finding& finding : sequence.findings) {
      if (finding.severity != Severity::note && !finding.file.empty() &&
          !recent(sequence, finding.file)) {
        tell(finding);
      }
    }
  }

  void tell(const Finding& finding) {
    if (said_.insert(finding.what).second) say_(finding);
  }

  // What is said of the last three frames may change with the next one.
  static bool recent(const Sequence& sequence, const std::string& name) {
    const std::size_t count = sequence.frames.size();
    for (std::size_t i = count - std::min<std::size_t>(count, 3); i < count; ++i) {
      if (sequence.frames[i].source.file.filename() == name) return true;
    }
    return false;
  }

  const GatherRequest& request_;
  const std::function<void(const Finding&)>& say_;
  std::vector<ExpectedStation> expected_;
  std::map<fs::path, FrameSource> seen_;
  std::map<fs::path, SourceFrame> frames_;
  std::set<std::string> said_;
};

}  // namespace

void follow_frames(const GatherRequest& request, const FollowOptions& options,
                   const std::function<void(const Finding&)>& say) {
  initialise_metadata();
  Follower follower(request, say);
  auto last_news = FollowClock::now();
  for (;;) {
    check_interrupt();
    if (follower.scan()) last_news = FollowClock::now();
    const std::chrono::duration<double> idle = FollowClock::now() - last_news;
    if (options.idle_s > 0 && idle.count() > options.idle_s) return;
    const auto until = FollowClock::now() + std::chrono::duration<double>(options.every_s);
    while (FollowClock::now() < until) {
      check_interrupt();
      std::this_thread::sleep_for(std::chrono::milliseconds(50));
    }
  }
}

}  // namespace trunnion
