#include "core/finding_text.h"

#include <fmt/format.h>

#include <utility>

namespace trunnion {

nlohmann::ordered_json findings_json(const Findings& findings, FindingStage stage) {
  using Json = nlohmann::ordered_json;
  Json list = Json::array();
  for (const Finding& finding : findings) {
    Json item = Json::object();
    item["severity"] = name_of(finding.severity);
    if (stage == FindingStage::shown) item["stage"] = finding.stage;
    item["file"] = finding.file;
    item["what"] = finding.what;
    item["remedy"] = finding.remedy;
    list.push_back(std::move(item));
  }
  return list;
}

std::string findings_text(const Findings& findings) {
  std::string text;
  for (const Finding& finding : findings) {
    text +=
        fmt::format("{}: {}{} {}\n", name_of(finding.severity),
                    finding.file.empty() ? "" : finding.file + ": ", finding.what, finding.remedy);
  }
  return text;
}

}  // namespace trunnion
