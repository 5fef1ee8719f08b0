#include "config/review_json.h"

namespace trunnion {
namespace {

using Json = nlohmann::ordered_json;

}  // namespace

Json review_to_json(const Review& review) {
  Json json{{"excluded", Json::array()}, {"accepted", Json::array()}};
  for (const Exclusion& each : review.excluded) {
    json["excluded"].push_back({{"ring", each.ring},
                                {"station", each.station},
                                {"reason", each.reason},
                                {"date", each.date}});
  }
  for (const Acceptance& each : review.accepted) {
    Json entry = Json::object();
    if (each.station) entry = {{"ring", each.ring}, {"station", *each.station}};
    if (!each.file.empty()) entry["file"] = each.file;
    entry["doubt"] = each.doubt;
    entry["reason"] = each.reason;
    entry["date"] = each.date;
    json["accepted"].push_back(std::move(entry));
  }
  return json;
}

Review review_from_json(const Json& json) {
  Review review;
  for (const Json& each : json.at("excluded")) {
    Exclusion& out = review.excluded.emplace_back();
    each.at("ring").get_to(out.ring);
    each.at("station").get_to(out.station);
    each.at("reason").get_to(out.reason);
    each.at("date").get_to(out.date);
  }
  for (const Json& each : json.at("accepted")) {
    Acceptance& in = review.accepted.emplace_back();
    in.ring = each.value("ring", "");
    if (each.contains("station")) in.station = each.at("station").get<int>();
    in.file = each.value("file", "");
    each.at("doubt").get_to(in.doubt);
    each.at("reason").get_to(in.reason);
    each.at("date").get_to(in.date);
  }
  return review;
}

}  // namespace trunnion
