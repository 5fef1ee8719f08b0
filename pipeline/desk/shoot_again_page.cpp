#include "pipeline/desk/shoot_again_page.h"

#include <fmt/format.h>

#include "core/text.h"

namespace trunnion::desk {
namespace {

constexpr const char* kStyle =
    "body{font:1rem/1.45 system-ui,sans-serif;margin:2rem auto;max-width:60rem;padding:0 1rem;"
    "color:#16191d;background:#fff}table{border-collapse:collapse;width:100%}th,td{text-align:left;"
    "vertical-align:top;padding:.4rem .8rem .4rem 0;border-top:1px solid #767b82}"
    "tr{break-inside:avoid}thead{display:table-header-group}.box{width:1.1rem;height:1.1rem;"
    "border:1px solid #16191d;display:inline-block}a{color:#1b4f8a}@media print{a{display:none}}";

std::string row_of(const ShotAgain& shot) {
  std::string reasons;
  for (const std::string& reason : shot.reasons)
    reasons += "<div>" + markup_text(reason) + "</div>";
  return fmt::format(
      "<tr><td><span class=\"box\"></span></td><th scope=\"row\">{} {}</th><td>{}&deg;</td>"
      "<td>{}&deg;</td><td>{}</td><td>{}</td><td>{}</td></tr>\n",
      markup_text(shot.ring), shot.station, number_text(shot.stage_angle_deg),
      number_text(shot.tilt_deg), markup_text(shot.rail_mm), markup_text(shot.file), reasons);
}

}  // namespace

std::string shots_again_policy() {
  return "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; "
         "form-action 'none'; frame-ancestors 'none'";
}

std::string shots_again_html(const std::vector<ShotAgain>& shots, const std::string& title) {
  std::string rows;
  for (const ShotAgain& shot : shots) rows += row_of(shot);
  const std::string table =
      shots.empty() ? "<p>Nothing has to be shot again.</p>"
                    : "<table><thead><tr><th scope=\"col\">Done</th><th scope=\"col\">Station</th>"
                      "<th scope=\"col\">Stage angle</th><th scope=\"col\">Tilt</th>"
                      "<th scope=\"col\">Rail, mm</th><th scope=\"col\">File</th>"
                      "<th scope=\"col\">Reason</th></tr></thead><tbody>\n" +
                          rows + "</tbody></table>";
  return fmt::format(
      "<!doctype html>\n<html lang=\"en\"><head><meta charset=\"utf-8\"><meta name=\"viewport\" "
      "content=\"width=device-width, initial-scale=1\"><link rel=\"icon\" href=\"data:,\">"
      "<title>Shoot again: {0}</title><style>{1}</style></head><body><main><h1>Shoot again: "
      "{0}</h1><p><a href=\"/shoot-again.csv\">As a table (CSV)</a> <a href=\"/\">Back to the "
      "desk</a></p>{2}</main></body></html>\n",
      markup_text(title), kStyle, table);
}

}  // namespace trunnion::desk
