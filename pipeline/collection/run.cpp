#include "pipeline/collection/run.h"

#include <fmt/format.h>

#include <algorithm>
#include <chrono>
#include <csignal>
#include <cstring>
#include <deque>
#include <nlohmann/json.hpp>
#include <thread>

#include "core/error.h"
#include "pipeline/collection/child.h"
#include "pipeline/collection/memory.h"
#include "pipeline/interrupt.h"

namespace trunnion::collection {
namespace {

constexpr std::chrono::milliseconds kLookEvery{20};

struct Running {
  std::size_t specimen;
  Child child;
  Resources uses;
};

// The sentence of a run that ended with one; empty where it came to its end or was ended.
std::string error_in(const std::string& out) {
  const auto json = nlohmann::json::parse(out, nullptr, false);
  const bool said = json.is_object() && json.contains("error") && json["error"].is_string();
  return said ? json["error"].get<std::string>() : std::string();
}

// Why a run without a sentence did not come to its end.
std::string reason_of(const Child::End& end) {
  if (end.signal == SIGKILL) {
    return "The run was ended by signal 9, as the system does where memory runs out; run again "
           "with "
           "less --memory or fewer --jobs.";
  }
  if (end.signal != 0) {
    return fmt::format("The run was ended by signal {} ({}); run it alone with trunnion prepare.",
                       end.signal, ::strsignal(end.signal));
  }
  if (!end.errors.empty()) return end.errors.substr(0, 500);
  return fmt::format("The run ended with exit code {}; run it alone with trunnion prepare.",
                     end.exit_code);
}

class Runs {
 public:
  Runs(const Collection& collection, const RunOptions& options, Progress& progress)
      : collection_(collection), progress_(progress) {
    const int cores = static_cast<int>(std::max(1U, std::thread::hardware_concurrency()));
    all_.threads = options.jobs > 0 ? options.jobs : cores;
    all_.megabytes = options.memory_mb > 0 ? options.memory_mb : available_megabytes();
  }

  void work(RunOutcome& outcome, std::deque<std::size_t> waiting) {
    while (!waiting.empty() || !running_.empty()) {
      if (interrupted()) stop();
      while (!waiting.empty() && start(outcome.specimens, waiting)) {
      }
      if (!collect(outcome)) std::this_thread::sleep_for(kLookEvery);
    }
  }

 private:
  bool start(const std::vector<SpecimenState>& specimens, std::deque<std::size_t>& waiting) {
    const SpecimenState& next = specimens[waiting.front()];
    const Share share =
        share_of_next(all_, used_, running_.size(), waiting.size(), next.megapixels);
    if (share.threads == 0) return false;
    const Resources uses{share.threads, run_megabytes(next.megapixels, share.threads)};
    const std::string folder = (collection_.root() / next.name).string();
    running_.push_back({waiting.front(),
                        Child({"prepare", "--json", "--quiet", "--jobs",
                               std::to_string(share.threads), "--", folder}),
                        uses});
    used_.threads += uses.threads;
    used_.megabytes += uses.megabytes;
    waiting.pop_front();
    return true;
  }

  bool collect(RunOutcome& outcome) {
    bool any = false;
    for (auto each = running_.begin(); each != running_.end();) {
      const std::optional<Child::End> end = each->child.ended();
      if (!end) {
        ++each;
        continue;
      }
      any = true;
      used_.threads -= each->uses.threads;
      used_.megabytes -= each->uses.megabytes;
      take(outcome, outcome.specimens[each->specimen], *end);
      each = running_.erase(each);
    }
    return any;
  }

  // What stands in the workspace decides; the process only says why nothing does.
  void take(RunOutcome& outcome, SpecimenState& specimen, const Child::End& end) {
    specimen.last = read_last_run(collection_.root() / specimen.name);
    const std::string error = error_in(end.out);
    const bool ended = end.signal == 0 && error.empty() && end.exit_code <= 1;
    if (ended && specimen.last && specimen.last->finished) {
      specimen.state = State::finished;
      specimen.why.clear();
      ++outcome.prepared;
    } else {
      specimen.state = State::failed;
      specimen.why = error.empty() ? reason_of(end) : error;
      ++outcome.failed;
      progress_.say(fmt::format("{}: {}", specimen.name, specimen.why));
    }
    progress_.step();
  }

  void stop() {
    for (const Running& each : running_) each.child.ask_to_stop();
    while (!running_.empty()) {
      std::erase_if(running_, [](Running& each) { return each.child.ended().has_value(); });
      if (!running_.empty()) std::this_thread::sleep_for(kLookEvery);
    }
    check_interrupt();
  }

  const Collection& collection_;
  Progress& progress_;
  Resources all_;
  Resources used_{0, 0};
  std::vector<Running> running_;
};

}  // namespace

Share share_of_next(const Resources& all, const Resources& used, std::size_t running,
                    std::size_t waiting, double megapixels) {
  const int free = all.threads - used.threads;
  if (free <= 0) return {};
  // Several runs of one thread each waste least; where fewer specimens are left than threads, these
  // share the threads.
  int threads = std::max(
      1, free / static_cast<int>(std::min<std::size_t>(waiting, static_cast<std::size_t>(free))));
  const double left = all.megabytes - used.megabytes;
  while (threads > 1 && run_megabytes(megapixels, threads) > left) --threads;
  if (run_megabytes(megapixels, threads) > left && running > 0) return {};
  // Memory lets no further run start beside this one: it takes the threads that would stand idle.
  const auto beside = [&](int mine) {
    return run_megabytes(megapixels, mine) + run_megabytes(megapixels, 1) <= left;
  };
  while (waiting > 1 && threads < free && !beside(threads) &&
         run_megabytes(megapixels, threads + 1) <= left) {
    ++threads;
  }
  return {threads};
}

RunOutcome run(const Collection& collection, const RunOptions& options, Progress& progress) {
  const auto begun = std::chrono::steady_clock::now();
  RunOutcome outcome;
  progress.start("look");
  outcome.specimens = specimens_of(collection);
  std::deque<std::size_t> waiting;
  for (std::size_t i = 0; i < outcome.specimens.size(); ++i) {
    const SpecimenState& each = outcome.specimens[i];
    const bool opened = !each.setup.empty();
    if (each.state == State::to_do || each.state == State::changed ||
        (each.state == State::failed && opened && options.again)) {
      waiting.push_back(i);
    } else if (each.state == State::failed) {
      ++outcome.failed;
    } else {
      ++outcome.unchanged;
    }
  }
  progress.finish(fmt::format("{} specimens, {} to do", outcome.specimens.size(), waiting.size()));
  progress.start("prepare", waiting.size());
  Runs(collection, options, progress).work(outcome, std::move(waiting));
  progress.finish();
  const std::chrono::duration<double> took = std::chrono::steady_clock::now() - begun;
  outcome.seconds = took.count();
  return outcome;
}

}  // namespace trunnion::collection
