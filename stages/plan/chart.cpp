#include "stages/plan/plan.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <functional>
#include <iterator>

#include "core/optics.h"
#include "core/text.h"

namespace trunnion::plan {
namespace {

constexpr double kWidth = 760;
constexpr double kLeft = 84;
constexpr double kRight = 150;  // room for the names at the curves' ends
constexpr double kPanel = 210;
constexpr double kTop = 64;
constexpr double kGap = 64;
constexpr int kSamples = 120;

struct Scale {  // logarithmic
  double min = 1;
  double max = 10;
  double from = 0;  // position of min
  double to = 1;    // position of max
  [[nodiscard]] double operator()(double value) const {
    const double part = std::log(std::clamp(value, min, max) / min) / std::log(max / min);
    return from + part * (to - from);
  }
};

struct Sample {
  double aperture = 0;
  PlanOption option;
};

struct Curve {
  std::string name;
  std::string colour;
  double width = 2;
  std::string dashes;
  std::function<double(const PlanOption&)> value;
};

struct Panel {
  std::string title;
  std::string unit;
  std::vector<Curve> curves;
  double top = 0;
};

std::vector<Sample> samples_of(const PlanWish& wish, const Setup& setup, const Scale& x,
                               const PlanSettings& settings) {
  std::vector<Sample> samples;
  for (int i = 0; i <= kSamples; ++i) {
    const double value = x.min * std::pow(x.max / x.min, static_cast<double>(i) / kSamples);
    Setup at = setup;
    if (setup.kind == LensKind::objective) at.numerical_aperture = value;
    samples.push_back({value, weigh(wish, at, value, settings)});
  }
  return samples;
}

// 1, 2, 5 times powers of ten inside the scale.
std::vector<double> ticks(const Scale& scale) {
  std::vector<double> result;
  for (double decade = std::pow(10.0, std::floor(std::log10(scale.min))); decade <= scale.max;
       decade *= 10) {
    for (const double step : {1.0, 2.0, 5.0}) {
      const double tick = decade * step;
      if (tick >= scale.min * 0.999 && tick <= scale.max * 1.001) result.push_back(tick);
    }
  }
  return result;
}

Scale scale_of(const Panel& panel, const std::vector<Sample>& samples) {
  double low = 1e300;
  double high = 0;
  for (const Curve& curve : panel.curves) {
    for (const Sample& sample : samples) {
      const double value = curve.value(sample.option);
      if (value <= 0) continue;
      low = std::min(low, value);
      high = std::max(high, value);
    }
  }
  return {low / 1.25, high * 1.25, panel.top + kPanel, panel.top};
}

void draw_grid(std::string& svg, const Panel& panel, const Scale& x, const Scale& y,
               const std::vector<double>& marks) {
  auto out = std::back_inserter(svg);
  fmt::format_to(out, "<text x='{}' y='{:.1f}' class='h'>{}</text>\n", kLeft, panel.top - 10,
                 markup_text(panel.title));
  for (const double tick : ticks(y)) {
    fmt::format_to(out,
                   "<line class='g' x1='{0}' x2='{1}' y1='{2:.1f}' y2='{2:.1f}'/>"
                   "<text class='a' text-anchor='end' x='{3}' y='{4:.1f}'>{5:g} {6}</text>\n",
                   kLeft, kWidth - kRight, y(tick), kLeft - 8, y(tick) + 4, tick, panel.unit);
  }
  for (const double mark : marks) {
    fmt::format_to(out,
                   "<line class='g' x1='{0:.1f}' x2='{0:.1f}' y1='{1}' y2='{2}'/>"
                   "<text class='a' text-anchor='middle' x='{0:.1f}' y='{3}'>{4:g}</text>\n",
                   x(mark), panel.top, panel.top + kPanel, panel.top + kPanel + 16, mark);
  }
  fmt::format_to(out, "<rect class='f' x='{}' y='{}' width='{}' height='{}'/>\n", kLeft, panel.top,
                 kWidth - kRight - kLeft, kPanel);
}

// Names at the right ends, pushed apart where curves end close together.
void draw_names(std::string& svg, const Panel& panel, const Scale& y, const PlanOption& last) {
  std::vector<std::pair<double, const Curve*>> ends;
  for (const Curve& curve : panel.curves) ends.emplace_back(y(curve.value(last)), &curve);
  std::sort(ends.begin(), ends.end(),
            [](const auto& a, const auto& b) { return a.first < b.first; });
  double free = -1e9;
  for (auto& [position, curve] : ends) {
    position = std::max(position, free + 15);
    free = position;
    fmt::format_to(std::back_inserter(svg),
                   "<text class='a' x='{}' y='{:.1f}' style='fill:{}'>{}</text>\n",
                   kWidth - kRight + 6, position + 4, curve->colour, markup_text(curve->name));
  }
}

void draw_panel(std::string& svg, const Panel& panel, const std::vector<Sample>& samples,
                const Scale& x, const std::vector<double>& marks, const Sample& chosen) {
  const Scale y = scale_of(panel, samples);
  draw_grid(svg, panel, x, y, marks);
  auto out = std::back_inserter(svg);
  for (const Curve& curve : panel.curves) {
    fmt::format_to(out, "<polyline fill='none' stroke='{}' stroke-width='{}'{} points='",
                   curve.colour, curve.width,
                   curve.dashes.empty() ? "" : fmt::format(" stroke-dasharray='{}'", curve.dashes));
    for (const Sample& sample : samples) {
      fmt::format_to(out, "{:.1f},{:.1f} ", x(sample.aperture), y(curve.value(sample.option)));
    }
    svg += "'/>\n";
  }
  draw_names(svg, panel, y, samples.back().option);
  const double value = panel.curves.front().value(chosen.option);
  fmt::format_to(
      out,
      "<line class='c' x1='{0:.1f}' x2='{0:.1f}' y1='{1}' y2='{2}'/>"
      "<circle cx='{0:.1f}' cy='{3:.1f}' r='6' fill='#c2410c'/>"
      "<text class='b' x='{4:.1f}' y='{5:.1f}'{6}>{7:.3g} {8}</text>\n",
      x(chosen.aperture), panel.top, panel.top + kPanel, y(value),
      x(chosen.aperture) + (x(chosen.aperture) > kWidth - kRight - 90 ? -10 : 10), y(value) - 9,
      x(chosen.aperture) > kWidth - kRight - 90 ? " text-anchor='end'" : "", value, panel.unit);
}

std::vector<Panel> panels_of(const CapturePlan& plan) {
  const bool fine = plan.chosen.depth_of_field_mm < 0.1;
  const double per_mm = fine ? 1000.0 : 1.0;
  Panel depth{"Depth of field at the requested detail (total)", fine ? "um" : "mm", {}, kTop};
  depth.curves = {{"depth of field", "#1d4ed8", 2.5, "",
                   [per_mm](const auto& o) { return per_mm * o.depth_of_field_mm; }},
                  {"wave term alone", "#64748b", 1.5, "6 4", [per_mm](const auto& o) {
                     return per_mm * wave_depth_mm({.magnification = o.magnification,
                                                    .numerical_aperture = o.numerical_aperture});
                   }}};
  Panel detail{"Smallest detail resolved", "um", {}, kTop + kPanel + kGap};
  const double wish = plan.detail_um;
  detail.curves = {
      {"between slices", "#047857", 2.5, "", [](const auto& o) { return o.resolution_um; }},
      {"in focus", "#0f766e", 1.5, "2 3", [](const auto& o) { return o.focused_um(); }},
      {"diffraction", "#7c3aed", 1.5, "6 4", [](const auto& o) { return o.diffraction_um; }},
      {"two pixels", "#64748b", 1.5, "1 3", [](const auto& o) { return 2 * o.pixel_um; }},
      {"wish", "#b45309", 1.5, "10 4", [wish](const auto&) { return wish; }}};
  return {depth, detail};
}

}  // namespace

std::string plan_chart_svg(const CapturePlan& plan, const PlanWish& wish, const Setup& setup,
                           const PlanSettings& settings) {
  const PlanOption& c = plan.chosen;
  const double here = c.objective ? c.numerical_aperture : c.f_number;
  Scale x{2, 32, kLeft, kWidth - kRight};
  std::vector<double> marks{2, 2.8, 4, 5.6, 8, 11, 16, 22, 32};
  if (c.objective) {
    x = {std::min(0.05, here / 2), std::max(0.9, here), kLeft, kWidth - kRight};
    marks = ticks(x);
  } else if (here < x.min || here > x.max) {
    x.min = std::min(x.min, here / 1.4);
    x.max = std::max(x.max, here * 1.4);
  }
  const std::vector<Sample> samples = samples_of(wish, setup, x, settings);
  const double height = kTop + 2 * kPanel + kGap + 56;
  const std::string title =
      fmt::format("{}: {} at {}", plan.title, c.setup,
                  c.objective ? fmt::format("NA {:g}", here) : fmt::format("f/{:g}", here));
  std::string svg = fmt::format(
      "<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 {0} {1}' width='{0}' height='{1}' "
      "role='img' aria-labelledby='t d'>\n<title id='t'>{2}</title>\n"
      "<desc id='d'>Depth of field {3:.3g} mm and smallest detail {4:.3g} um at the chosen "
      "aperture.</desc>\n"
      "<style>text{{font-family:sans-serif;font-size:12px;fill:#334155}}.t{{font-size:16px;"
      "font-weight:bold;fill:#0f172a}}.h{{font-size:13px;font-weight:bold}}.b{{font-weight:bold;"
      "fill:#c2410c;stroke:white;stroke-width:4px;paint-order:stroke}}.g{{stroke:#e2e8f0}}.f{{fill:"
      "none;stroke:#94a3b8}}.c{{stroke:#c2410c;"
      "stroke-dasharray:3 3}}</style>\n"
      "<rect width='100%' height='100%' fill='white'/>\n"
      "<text class='t' x='{5}' y='26'>{2}</text>\n",
      kWidth, height, markup_text(title), c.depth_of_field_mm, c.resolution_um, kLeft);
  for (const Panel& panel : panels_of(plan)) {
    draw_panel(svg, panel, samples, x, marks, {here, c});
  }
  fmt::format_to(std::back_inserter(svg),
                 "<text class='h' text-anchor='middle' x='{}' y='{}'>{}</text>\n</svg>\n",
                 0.5 * (kLeft + kWidth - kRight), height - 14,
                 c.objective ? "numerical aperture" : "f-number as marked");
  return svg;
}

}  // namespace trunnion::plan
