#include "stages/calibrate_lens/calibrate_lens.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "core/angle.h"
#include "core/text.h"

namespace trunnion::calibrate_lens {
namespace {

constexpr const char* kStyle =
    "body{font:16px/1.5 system-ui,sans-serif;color:#1c2430;background:#fff;max-width:62rem;"
    "margin:2rem auto;padding:0 1rem}h1{font-size:1.5rem}h2{font-size:1.15rem;margin-top:2.2rem}"
    "table{border-collapse:collapse}td,th{padding:.2rem .8rem .2rem 0;text-align:left;"
    "border-bottom:1px solid #dde2e8;font-variant-numeric:tabular-nums}td.n,th.n{text-align:right}"
    ".q{font-weight:600}.doubt{border-left:4px solid #b45f06;padding-left:.7rem;margin:.6rem 0}"
    ".note{border-left:4px solid #8a94a0;padding-left:.7rem;margin:.6rem 0}"
    ".fault{border-left:4px solid #a61c1c;padding-left:.7rem;margin:.6rem 0}"
    "svg{max-width:100%;height:auto;background:#f7f9fb;border:1px solid #dde2e8}"
    ".grid{display:flex;flex-wrap:wrap;gap:.8rem}.grid figure{margin:0;width:14.5rem}"
    "figcaption{font-size:.85rem}small{color:#55606c}.wide{overflow-x:auto}"
    "@media print{body{margin:0}h2{break-after:avoid}figure{break-inside:avoid}}";

std::string svg_open(const Frame& frame, const std::string& label) {
  return fmt::format("<svg role=\"img\" aria-label=\"{}\" viewBox=\"0 0 {} {}\">",
                     markup_text(label), frame.width_px, frame.height_px);
}

// Stretch that makes the largest of the usual residuals a twelfth of the image's width.
double stretch_for(const LensResult& result) {
  const double usual = std::max(3.0 * result.sigma_px, 1e-6);
  const double wanted = result.fit.frame.width_px / 12.0 / usual;
  const double power = std::pow(10.0, std::floor(std::log10(wanted)));
  return wanted >= 5.0 * power ? 5.0 * power : wanted >= 2.0 * power ? 2.0 * power : power;
}

std::string arrow(const Eigen::Vector2d& from, const Eigen::Vector2d& by, double width,
                  const char* colour) {
  return fmt::format(
      "<path d=\"M{:.1f} {:.1f}l{:.2f} {:.2f}\" stroke=\"{}\" stroke-width=\"{:.1f}\"/>"
      "<circle cx=\"{:.1f}\" cy=\"{:.1f}\" r=\"{:.1f}\" fill=\"{}\"/>",
      from.x(), from.y(), by.x(), by.y(), colour, width, from.x(), from.y(), 1.3 * width, colour);
}

std::string image_figures(const LensResult& result) {
  const double stretch = stretch_for(result);
  const Frame& frame = result.fit.frame;
  const double line = frame.width_px / 250.0;
  std::string html = fmt::format(
      "<h2>Residual vectors, image by image</h2><p>Measured corner minus model, {:g} times as "
      "long. "
      "With a good fit the arrows point at random; a common pattern shows a bent board or a model "
      "that is too simple. Rejected corners are orange.</p><div class=\"grid\">",
      stretch);
  for (const LensImage& image : result.images) {
    if (!image.used) continue;
    html += "<figure>" + svg_open(frame, "residuals of " + image.name);
    for (std::size_t i = 0; i < image.corners_px.size(); ++i) {
      const bool kept = image.corner_used[i] != 0;
      const Eigen::Vector2d by = image.residuals_px[i] * stretch;
      html += arrow(image.corners_px[i], kept ? by : Eigen::Vector2d(by.normalized() * 20 * line),
                    line, kept ? "#1f5fa8" : "#c8620a");
    }
    html += fmt::format(
        "</svg><figcaption>{}<br><small>rms {:.3f} px, tilt {:.0f} deg, {} of {} corners"
        "</small></figcaption></figure>",
        markup_text(image.name), image.rms_px, degrees(image.tilt),
        image.corners - image.corners_rejected, image.corners);
  }
  return html + "</div>";
}

// Mean residual of each cell of the image: what is left that all images share.
std::string residual_map(const LensResult& result) {
  constexpr int kColumns = 12;
  constexpr int kRows = 8;
  const Frame& frame = result.fit.frame;
  std::vector<Eigen::Vector2d> sum(kColumns * kRows, Eigen::Vector2d::Zero());
  std::vector<int> count(kColumns * kRows, 0);
  for (const LensImage& image : result.images) {
    if (!image.used) continue;
    for (std::size_t i = 0; i < image.corners_px.size(); ++i) {
      if (image.corner_used[i] == 0) continue;
      const int column = std::clamp(
          static_cast<int>(image.corners_px[i].x() * kColumns / frame.width_px), 0, kColumns - 1);
      const int row = std::clamp(
          static_cast<int>(image.corners_px[i].y() * kRows / frame.height_px), 0, kRows - 1);
      const auto cell = static_cast<std::size_t>(row * kColumns + column);
      sum[cell] += image.residuals_px[i];
      ++count[cell];
    }
  }
  const double stretch = 3.0 * stretch_for(result);
  std::string html = fmt::format(
      "<h2>Residual map</h2><p>Mean residual of all boards in each part of the image, {:g} times "
      "as "
      "long: what the model does not explain. Parts without corners are empty.</p>",
      stretch);
  html += svg_open(frame, "mean residuals over the image");
  for (std::size_t cell = 0; cell < count.size(); ++cell) {
    if (count[cell] == 0) continue;
    const Eigen::Vector2d middle(
        (static_cast<double>(cell % kColumns) + 0.5) * frame.width_px / kColumns,
        (static_cast<double>(cell / kColumns) + 0.5) * frame.height_px / kRows);
    html += arrow(middle, sum[cell] / count[cell] * stretch, frame.width_px / 400.0, "#1f5fa8");
  }
  return html + "</svg>";
}

// A value for each cell of a division of the image, row by row.
struct CellValues {
  int columns;
  int rows;
  std::vector<double> values;
  [[nodiscard]] double largest() const {
    return values.empty() ? 0.0 : *std::max_element(values.begin(), values.end());
  }
};

// Cells shaded by their value up to the largest, the figure written in each.
std::string shaded_cells(const Frame& frame, const std::string& label, const CellValues& cells,
                         const char* format) {
  const int columns = cells.columns;
  const int rows = cells.rows;
  const double full = std::max(cells.largest(), 1e-12);
  std::string html = svg_open(frame, label);
  const double width = static_cast<double>(frame.width_px) / columns;
  const double height = static_cast<double>(frame.height_px) / rows;
  for (int row = 0; row < rows; ++row) {
    for (int column = 0; column < columns; ++column) {
      const double value = cells.values[static_cast<std::size_t>(row * columns + column)];
      const double share = std::clamp(value / full, 0.0, 1.0);
      html += fmt::format(
          "<rect x=\"{:.1f}\" y=\"{:.1f}\" width=\"{:.1f}\" height=\"{:.1f}\" fill=\"#1f5fa8\" "
          "fill-opacity=\"{:.2f}\"/><text x=\"{:.1f}\" y=\"{:.1f}\" text-anchor=\"middle\" "
          "font-size=\"{:.1f}\" fill=\"{}\">{}</text>",
          column * width, row * height, width, height, 0.75 * share, (column + 0.5) * width,
          (row + 0.58) * height, 0.25 * std::min(width, height), share > 0.6 ? "#fff" : "#1c2430",
          fmt::format(fmt::runtime(format), value));
    }
  }
  return html + "</svg>";
}

std::string coverage(const LensResult& result) {
  std::vector<double> counts(result.coverage.corners.begin(), result.coverage.corners.end());
  return fmt::format(
             "<h2>Coverage</h2><p>Corners used in each part of the image: {:.0f} % of it is "
             "covered, out to {:.0f} % of the half diagonal; largest tilt {:.0f} degrees.</p>",
             100 * result.coverage.share, 100 * result.coverage.reach,
             degrees(result.largest_tilt)) +
         shaded_cells(result.fit.frame, "corners in each part of the image",
                      {Coverage::kColumns, Coverage::kRows, counts}, "{:.0f}");
}

std::string sigma_maps(const LensResult& result) {
  std::vector<double> correction;
  std::vector<double> total;
  for (const FieldPoint& point : result.field) {
    correction.push_back(point.sigma_correction_px);
    total.push_back(point.sigma_reprojection_px);
  }
  return "<h2>Uncertainty over the image</h2><p>Standard deviation (px) of the position of an "
         "undistorted pixel:</p>" +
         shaded_cells(result.fit.frame, "sigma of the undistortion", {13, 9, correction},
                      "{:.2f}") +
         "<p>Standard deviation (px) of the image of a fixed ray. It includes the full uncertainty "
         "of principal distance and principal point; estimating the exterior orientation absorbs "
         "most of it:</p>" +
         shaded_cells(result.fit.frame, "sigma of the reprojection", {13, 9, total}, "{:.1f}");
}

std::string curve(const LensResult& result) {
  const auto points = distortion_curve(result.fit, result.uncertainty.covariance, 60);
  double low = 0;
  double high = 0;
  for (const CurvePoint& point : points) {
    low = std::min(low, point.shift_px - point.sigma_px);
    high = std::max(high, point.shift_px + point.sigma_px);
  }
  const double range = std::max(high - low, 1e-3);
  const double far = points.back().radius_px;
  const auto x = [&](double radius) { return 90.0 + 690.0 * radius / far; };
  const auto y = [&](double shift) { return 30.0 + 270.0 * (high - shift) / range; };
  std::string band;
  std::string line;
  for (const CurvePoint& point : points) {
    band += fmt::format("{}{:.1f} {:.1f}", band.empty() ? "M" : "L", x(point.radius_px),
                        y(point.shift_px + point.sigma_px));
    line += fmt::format("{}{:.1f} {:.1f}", line.empty() ? "M" : "L", x(point.radius_px),
                        y(point.shift_px));
  }
  for (auto it = points.rbegin(); it != points.rend(); ++it) {
    band += fmt::format("L{:.1f} {:.1f}", x(it->radius_px), y(it->shift_px - it->sigma_px));
  }
  std::string html =
      "<h2>Distortion</h2><p>Radial shift of the image against the distance from the principal "
      "point, with its 1-sigma band; the dashed line marks the outermost corner.</p>"
      "<svg role=\"img\" aria-label=\"radial distortion curve\" viewBox=\"0 0 800 350\">";
  html += fmt::format(
      "<path d=\"{}z\" fill=\"#1f5fa8\" fill-opacity=\".25\"/>"
      "<path d=\"{}\" fill=\"none\" stroke=\"#1f5fa8\" stroke-width=\"2\"/>"
      "<path d=\"M90 {:.1f}H780\" stroke=\"#8a94a0\"/>",
      band, line, y(0));
  const double reach = x(std::min(far, result.coverage.reach * result.fit.frame.rho()));
  html += fmt::format("<path d=\"M{0:.1f} 20V300\" stroke=\"#b45f06\" stroke-dasharray=\"6 4\"/>",
                      reach);
  for (const double value : {low, 0.0, high}) {
    html += fmt::format(
        "<text x=\"82\" y=\"{:.1f}\" text-anchor=\"end\" font-size=\"14\">{:.2f} px"
        "</text>",
        y(value) + 5, value);
  }
  for (const double share : {0.25, 0.5, 0.75, 1.0}) {
    html += fmt::format(
        "<text x=\"{:.1f}\" y=\"330\" text-anchor=\"end\" font-size=\"14\">{:.0f} px"
        "</text>",
        x(share * far), share * far);
  }
  return html + "</svg>";
}

std::string parameters(const LensResult& result, const Setup& setup) {
  const LensCalibration& lens = result.calibration;
  const bool perspective = lens.camera.projection == Projection::perspective;
  const char* unit = perspective ? "px" : "px/mm";
  std::string html =
      "<h2>Parameters</h2><table><tr><th>Parameter</th><th class=\"n\">Value</th>"
      "<th class=\"n\">Sigma</th><th>Unit</th></tr>";
  const auto& k = lens.camera.distortion;
  const double values[] = {
      lens.camera.fx, lens.camera.fy, lens.camera.cx, lens.camera.cy, k[0], k[1], k[2], k[3], k[4]};
  constexpr const char* kNames[] = {"fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2", "k3"};
  const std::string units[] = {unit,
                               unit,
                               "px",
                               "px",
                               perspective ? "" : "mm<sup>-2</sup>",
                               perspective ? "" : "mm<sup>-4</sup>",
                               perspective ? "" : "mm<sup>-1</sup>",
                               perspective ? "" : "mm<sup>-1</sup>",
                               perspective ? "" : "mm<sup>-6</sup>"};
  for (int i = 0; i < 9; ++i) {
    const double sigma = std::sqrt(lens.covariance(i, i));
    html += fmt::format(
        "<tr><td>{}</td><td class=\"n\">{}</td><td class=\"n\">{}</td><td>{}</td></tr>", kNames[i],
        i < 4 ? fmt::format("{:.3f}", values[i]) : fmt::format("{:.6g}", values[i]),
        sigma > 0 ? fmt::format("{:.2g}", sigma) : std::string("not in the model"), units[i]);
  }
  if (perspective) {
    html += fmt::format(
        "<tr><td>principal distance</td><td class=\"n\">{:.3f}</td><td class=\"n\">{:.2g}</td>"
        "<td>mm</td></tr>",
        lens.camera.fx * setup.pixel_pitch_um * 1e-3,
        lens.camera.fx * setup.pixel_pitch_um * 1e-3 * result.principal_distance_sigma);
  }
  html += fmt::format(
      "<tr><td>scale at the boards</td><td class=\"n\">{:.6f}</td><td class=\"n\">{:.2g}</td>"
      "<td>mm/px</td></tr><tr><td>magnification</td><td class=\"n\">{:.4f}</td>"
      "<td class=\"n\">{:.2g}</td><td>by mark and extension {:.4g}</td></tr></table>",
      result.mm_per_px, result.mm_per_px_sigma, lens.magnification, lens.magnification_sigma,
      setup.lateral_magnification());
  return html;
}

std::string candidates(const LensResult& result) {
  if (result.candidates.empty()) return {};
  std::string html = fmt::format(
      "<h2>Choice of the model</h2><p>Chosen: {}; {}.</p><div "
      "class=\"wide\"><table><tr><th>Model</th>"
      "<th class=\"n\">Parameters</th><th class=\"n\">Held-out error, px</th><th></th></tr>",
      markup_text(result.calibration.model), markup_text(result.why_model));
  std::vector<Candidate> sorted = result.candidates;
  std::stable_sort(sorted.begin(), sorted.end(), [](const Candidate& a, const Candidate& b) {
    return a.held_out_px < b.held_out_px;
  });
  for (std::size_t i = 0; i < sorted.size(); ++i) {
    if (i >= 10 && !sorted[i].chosen) continue;
    html += fmt::format(
        "<tr><td>{}</td><td class=\"n\">{}</td><td class=\"n\">{:.4f}</td><td>{}</td>"
        "</tr>",
        markup_text(describe(sorted[i].model)), sorted[i].parameters, sorted[i].held_out_px,
        sorted[i].chosen ? "taken" : "");
  }
  return html + "</table></div>";
}

std::string rejected(const LensResult& result) {
  std::string rows;
  for (const LensImage& image : result.images) {
    if (image.used) continue;
    rows += fmt::format("<li>{}: {}</li>", markup_text(image.name), markup_text(image.reason));
  }
  return rows.empty() ? rows : "<h2>Images not used</h2><ul>" + rows + "</ul>";
}

}  // namespace

std::string report_page(const LensResult& result, const Setup& setup) {
  const LensCalibration& lens = result.calibration;
  std::string html = fmt::format(
      "<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">"
      "<meta name=\"viewport\" content=\"width=device-width,initial-scale=1\">"
      "<title>Lens calibration of {0}</title><style>{1}</style></head><body>"
      "<h1>Lens calibration of {0}</h1>",
      markup_text(setup.title), kStyle);
  html += fmt::format(
      "<p><span class=\"q\">Quality: {}.</span> {} boards, {} corners, rms {:.3f} px, corner noise "
      "{:.3f} px.</p>",
      markup_text(lens.quality), lens.images_used, lens.corners_used, lens.rms_px, result.sigma_px);
  if (!result.quality_reasons.empty()) {
    html += "<p>Not better because:</p><ul>";
    for (const std::string& reason : result.quality_reasons) {
      html += "<li>" + markup_text(reason) + "</li>";
    }
    html += "</ul>";
  }
  if (!result.advice.empty()) {
    html += "<p><b>Most useful further board:</b> " + markup_text(result.advice) + "</p>";
  }
  for (const Finding& finding : result.findings) {
    html += fmt::format("<p class=\"{0}\">{1}{2} {3}</p>", name_of(finding.severity),
                        finding.file.empty() ? "" : markup_text(finding.file) + ": ",
                        markup_text(finding.what), markup_text(finding.remedy));
  }
  html += parameters(result, setup) + candidates(result) + curve(result) + coverage(result) +
          sigma_maps(result) + residual_map(result) + image_figures(result) + rejected(result);
  return html + "</body></html>\n";
}

}  // namespace trunnion::calibrate_lens
