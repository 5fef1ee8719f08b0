// Times the stages of a run.
#pragma once

#include <chrono>
#include <string>
#include <utility>
#include <vector>

namespace trunnion {

using StageSeconds = std::vector<std::pair<std::string, double>>;

// Adds the time until its end of scope.
class StageClock {
 public:
  StageClock(StageSeconds& seconds, std::string stage)
      : seconds_(seconds), stage_(std::move(stage)) {}
  ~StageClock() {
    const std::chrono::duration<double> took = std::chrono::steady_clock::now() - begun_;
    seconds_.emplace_back(stage_, took.count());
  }
  StageClock(const StageClock&) = delete;
  StageClock& operator=(const StageClock&) = delete;

 private:
  StageSeconds& seconds_;
  std::string stage_;
  std::chrono::steady_clock::time_point begun_ = std::chrono::steady_clock::now();
};

}  // namespace trunnion
