#include "pipeline/image_pass.h"

#include <fmt/format.h>
#include <tbb/parallel_invoke.h>
#include <tbb/parallel_pipeline.h>
#include <tbb/task_arena.h>

#include <algorithm>
#include <atomic>
#include <functional>
#include <memory>
#include <mutex>
#include <optional>

#include "core/error.h"
#include "core/freed_memory.h"
#include "pipeline/disk_thread.h"
#include "pipeline/image_reuse.h"
#include "pipeline/image_steps.h"
#include "pipeline/interrupt.h"

namespace trunnion {
namespace {

// What an image became, not yet safe on the disk; one a product that was missing.
struct Processed {
  std::vector<const ImageProduct*> products;
  std::vector<std::optional<Made>> made;
};

// `about_to_write` is called where the image itself needs least memory.
void process(ImageItem& item, const SetRun& set, Processed& processed,
             const std::function<void()>& about_to_write) {
  ImageWork work{item, set};
  for (const ImageStep& step : image_steps()) {
    if (set.job == Job::check && !step.in_check) continue;
    step.run(work);
    check_interrupt();
  }
  about_to_write();
  processed.made.resize(processed.products.size());
  const auto make = [&](bool encodes) {
    for (std::size_t i = 0; i < processed.products.size(); ++i) {
      if (processed.products[i]->encodes != encodes) continue;
      processed.made[i].emplace(processed.products[i]->make(work));
      check_interrupt();
    }
  };
  // Both halves at once where another thread has nothing else to do, as at the end of the set.
  tbb::parallel_invoke([&] { make(true); }, [&] { make(false); });
}

void commit(ImageItem& item, Processed& processed, const SetRun& set) {
  for (std::size_t i = 0; i < processed.products.size(); ++i) {
    const ImageProduct& product = *processed.products[i];
    Made& made = *processed.made[i];
    if (made.file) made.file->commit();
    const std::string kept = product.keep == nullptr ? made.bytes : product.keep(item, made, set);
    set.journal.record(item.station.name, std::string(product.name), item.prints.at(product.name),
                       kept);
  }
  record_result(item, set);
}

// What is wrong with one image must not end the set; a result that can't be written must: it says
// nothing of the image. False where the image is left out.
bool or_leave_out(ImageItem& item, const std::function<void()>& work) {
  try {
    work();
    return true;
  } catch (const Error& error) {
    if (error.kind() != Error::Kind::data) throw;
    item.faulty = true;
    item.result.findings.push_back(
        {Severity::fault, "image", item.station.source, error.what(),
         "Repair this image or export it again, then run prepare again."});
    return false;
  }
}

// What must be made of an image; nothing where it is as it was.
std::vector<const ImageProduct*> plan_of(ImageItem& item, const SetRun& set) {
  item.input_hash = set.journal.input_hash(item.station.file);
  set_fingerprints(item, set);
  std::vector<const ImageProduct*> missing = missing_products(item, set);
  item.reused = std::none_of(missing.begin(), missing.end(),
                             [](const ImageProduct* product) { return product->encodes; });
  return missing;
}

void do_item(ImageItem& item, const SetRun& set, DiskThread& commits,
             const std::function<void()>& about_to_write) {
  check_interrupt();
  const auto processed = std::make_shared<Processed>();
  if (set.job == Job::prepare) {
    processed->products = plan_of(item, set);
    if (processed->products.empty()) {
      set.progress.step();
      return;
    }
  }
  item.result = {};
  // A thread that waits for parts of this image must not begin another image meanwhile.
  tbb::this_task_arena::isolate([&] { process(item, set, *processed, about_to_write); });
  if (set.job == Job::check) {
    set.progress.step();
    return;
  }
  commits.post([&item, &set, processed] {
    commit(item, *processed, set);
    set.progress.step();
  });
}

}  // namespace

std::string run_image_pass(SetRun& set) {
  // What lies free between images grows the longer nothing is given back; clearing pages again
  // costs a few hundredths of an image each time, which a small set is spared.
  constexpr std::size_t kImagesBeforeReturn = 16;
  constexpr std::size_t kImagesUntilReturn = 8;
  std::vector<ImageItem>& items = set.items;
  set.progress.expect(items.size());
  std::atomic<std::size_t> next = 0;
  const auto take = [&](tbb::flow_control& control) -> ImageItem* {
    if (next == items.size() || interrupted()) {
      control.stop();
      return nullptr;
    }
    if (next >= kImagesBeforeReturn && next % kImagesUntilReturn == 0) return_freed_memory();
    return &items[next++];
  };
  // While an image is written, one that comes next arrives.
  std::mutex mutex;
  std::size_t asked = 0;
  const auto about_to_write = [&] {
    const std::scoped_lock lock(mutex);
    asked = std::max(asked, next.load());
    if (asked < items.size()) set.decoded->read_ahead(items[asked++].station.file);
  };
  DiskThread commits(static_cast<std::size_t>(set.jobs));
  const auto work = [&](ImageItem* item) {
    const fs::path file = item->station.file;
    // What is handed on to be committed may not be read here.
    if (!or_leave_out(*item, [&] { do_item(*item, set, commits, about_to_write); })) {
      set.progress.step();
    }
    set.decoded->forget(file);  // of an image that needed nothing
  };
  tbb::parallel_pipeline(
      static_cast<std::size_t>(set.jobs),
      tbb::make_filter<void, ImageItem*>(tbb::filter_mode::serial_in_order, take) &
          tbb::make_filter<ImageItem*, void>(tbb::filter_mode::parallel, work));
  commits.finish();
  check_interrupt();
  const auto reused =
      std::count_if(items.begin(), items.end(), [](const auto& i) { return i.reused; });
  return reused > 0 ? fmt::format("{} unchanged", reused) : std::string();
}

}  // namespace trunnion
