#include "pipeline/image_reuse.h"

namespace trunnion {
namespace {

constexpr const char* kSteps = "image";  // of the journal

std::string to_bytes(ImageResult result) {
  ArchiveWriter writer;
  for (const ImageStep& step : image_steps()) step.kept.write(writer, result);
  archive_findings(writer, result.findings);
  return writer.bytes;
}

ImageResult from_bytes(std::string_view bytes) {
  ArchiveReader reader(bytes);
  ImageResult result;
  for (const ImageStep& step : image_steps()) step.kept.read(reader, result);
  archive_findings(reader, result.findings);
  return result;
}

bool is_there(const ImageProduct& product, ImageItem& item, const SetRun& set) {
  const std::string name(product.name);
  const std::string& print = item.prints.at(product.name);
  if (product.there == nullptr) return set.journal.holds(item.station.name, name, print);
  const auto kept = set.journal.find(item.station.name, name, print);
  return kept && product.there(item, *kept, set);
}

}  // namespace

void set_fingerprints(ImageItem& item, const SetRun& set) {
  Fingerprint all(kSteps);
  for (const ImageStep& step : image_steps()) {
    Fingerprint own = fingerprint_of(step.name, step.settings, set.settings());
    if (step.depends != nullptr) step.depends(own, item, set);
    all.add(own.hash());
  }
  item.fingerprint = all.hash();
  for (const ImageProduct& product : image_products()) {
    Fingerprint own = fingerprint_of(product.name, product.settings, set.settings());
    item.prints[product.name] = own.add(item.fingerprint).hash();
  }
}

std::vector<const ImageProduct*> missing_products(ImageItem& item, const SetRun& set) {
  const auto recorded = set.journal.find(item.station.name, kSteps, item.fingerprint);
  if (recorded) item.result = from_bytes(*recorded);
  std::vector<const ImageProduct*> missing;
  for (const ImageProduct& product : image_products()) {
    if (!recorded || !is_there(product, item, set)) missing.push_back(&product);
  }
  return missing;
}

void record_result(const ImageItem& item, const SetRun& set) {
  set.journal.record(item.station.name, kSteps, item.fingerprint, to_bytes(item.result));
}

}  // namespace trunnion
