// The planner over all generic presets (52): a user waits for it, so 0.2 s is the bar for 50.
#include <benchmark/benchmark.h>

#include "config/presets.h"
#include "stages/plan/plan.h"

namespace trunnion {
namespace {

std::vector<Setup> all_presets() {
  std::vector<Setup> setups;
  for (const std::string& name : preset_names()) setups.push_back(read_preset(name));
  return setups;
}

plan::PlanWish beetle() {
  plan::PlanWish wish;
  wish.title = "Example";
  wish.height_mm = 12;
  wish.width_mm = 8;
  wish.depth_mm = 6;
  wish.detail_um = 20;
  return wish;
}

void plan_over_presets(benchmark::State& state) {
  const std::vector<Setup> setups = all_presets();
  const plan::PlanWish wish = beetle();
  const plan::PlanSettings settings;
  for (auto _ : state) benchmark::DoNotOptimize(plan::plan_capture(wish, setups, settings));
  state.counters["setups"] = static_cast<double>(setups.size());
}
BENCHMARK(plan_over_presets)->Unit(benchmark::kMillisecond);

void read_presets(benchmark::State& state) {
  for (auto _ : state) benchmark::DoNotOptimize(all_presets());
}
BENCHMARK(read_presets)->Unit(benchmark::kMillisecond);

}  // namespace
}  // namespace trunnion
