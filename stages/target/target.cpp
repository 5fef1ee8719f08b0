#include "stages/target/target.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <vector>

#include "core/error.h"

namespace trunnion::target {
namespace {

struct Rectangle {
  double x, y, width, height;  // mm, from the page's top left
};
struct Text {
  double x, y, size;  // mm, left end of the baseline
  std::string words;
};
struct Drawing {
  double width_mm, height_mm;
  std::vector<Rectangle> dark;
  std::vector<Text> texts;
};

constexpr double kLineMm = 0.15;
constexpr double kTextMm = 3.0;
constexpr double kFootMm = 24.0;  // rulers and words under the board

// A ruler with a tick each mm, longer ones each 5 and 10 mm; horizontal or vertical.
void add_ruler(Drawing& drawing, double x, double y, int length_mm, bool vertical) {
  const auto line = [&](double along, double across, double extent_along, double extent_across) {
    drawing.dark.push_back(vertical
                               ? Rectangle{x + across, y + along, extent_across, extent_along}
                               : Rectangle{x + along, y + across, extent_along, extent_across});
  };
  line(0, 0, length_mm + kLineMm, kLineMm);
  for (int mm = 0; mm <= length_mm; ++mm) {
    const double tick = mm % 10 == 0 ? 4.0 : mm % 5 == 0 ? 3.0 : 1.8;
    line(mm, 0, kLineMm, tick);
  }
}

Drawing draw(const TargetOptions& options, double margin_mm, int ruler_mm) {
  const BoardPattern& pattern = options.pattern;
  const double side = pattern.square_mm;
  const double board_width = (pattern.columns + 1) * side;
  const double board_height = (pattern.rows + 1) * side;
  // The ruler on the left stands clear of the board's own white border.
  const double left = margin_mm + 8.0;
  Drawing drawing;
  drawing.width_mm = std::max(left + board_width + margin_mm, 120.0);
  drawing.height_mm = margin_mm + board_height + margin_mm + kFootMm;
  for (int row = 0; row <= pattern.rows; ++row) {
    for (int column = 0; column <= pattern.columns; ++column) {
      if ((row + column) % 2 != 0) continue;
      drawing.dark.push_back({left + column * side, margin_mm + row * side, side, side});
    }
  }
  const double foot = margin_mm + board_height + margin_mm;
  add_ruler(drawing, left, foot, ruler_mm, false);
  const int upright_mm = static_cast<int>(std::min<double>(ruler_mm, std::floor(foot - 4.0)));
  add_ruler(drawing, 3.0, 4.0, upright_mm, true);
  drawing.texts.push_back(
      {left, foot + 9.0, kTextMm,
       fmt::format("{} x {} inner corners, squares of {:g} mm. Print at 100 %, no scaling.",
                   pattern.columns, pattern.rows, side)});
  drawing.texts.push_back(
      {left, foot + 14.0, kTextMm,
       fmt::format("Check with a steel rule: the lower ruler is {} mm, the left one {} mm long.",
                   ruler_mm, upright_mm)});
  drawing.texts.push_back(
      {left, foot + 19.0, kTextMm,
       "Mount flat. Use paper only for fields over about 20 mm; below that use chrome on glass."});
  return drawing;
}

std::string to_svg(const Drawing& drawing) {
  std::string svg = fmt::format(
      "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n"
      "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{0:.4f}mm\" height=\"{1:.4f}mm\" "
      "viewBox=\"0 0 {0:.4f} {1:.4f}\" shape-rendering=\"crispEdges\">\n"
      "<rect width=\"{0:.4f}\" height=\"{1:.4f}\" fill=\"#fff\"/>\n<path fill=\"#000\" d=\"",
      drawing.width_mm, drawing.height_mm);
  for (const Rectangle& r : drawing.dark) {
    svg +=
        fmt::format("M{:.4f} {:.4f}h{:.4f}v{:.4f}h{:.4f}z", r.x, r.y, r.width, r.height, -r.width);
  }
  svg += "\"/>\n";
  for (const Text& text : drawing.texts) {
    svg += fmt::format(
        "<text x=\"{:.4f}\" y=\"{:.4f}\" font-family=\"Helvetica, sans-serif\" "
        "font-size=\"{:.2f}\">{}</text>\n",
        text.x, text.y, text.size, text.words);
  }
  return svg + "</svg>\n";
}

// PDF 1.4 with one page; y runs up.
std::string to_pdf(const Drawing& drawing) {
  constexpr double kPoints = 72.0 / 25.4;
  const double height = drawing.height_mm;
  std::string content = "0 g\n";
  for (const Rectangle& r : drawing.dark) {
    content +=
        fmt::format("{:.4f} {:.4f} {:.4f} {:.4f} re f\n", r.x * kPoints,
                    (height - r.y - r.height) * kPoints, r.width * kPoints, r.height * kPoints);
  }
  for (const Text& text : drawing.texts) {
    content += fmt::format("BT /F1 {:.3f} Tf {:.4f} {:.4f} Td ({}) Tj ET\n", text.size * kPoints,
                           text.x * kPoints, (height - text.y) * kPoints, text.words);
  }
  const std::vector<std::string> objects{
      "<< /Type /Catalog /Pages 2 0 R /ViewerPreferences << /PrintScaling /None >> >>",
      "<< /Type /Pages /Kids [3 0 R] /Count 1 >>",
      fmt::format("<< /Type /Page /Parent 2 0 R /MediaBox [0 0 {:.4f} {:.4f}] /Contents 4 0 R "
                  "/Resources << /Font << /F1 5 0 R >> >> >>",
                  drawing.width_mm * kPoints, height * kPoints),
      fmt::format("<< /Length {} >>\nstream\n{}endstream", content.size(), content),
      "<< /Type /Font /Subtype /Type1 /BaseFont /Helvetica >>"};
  std::string pdf = "%PDF-1.4\n";
  std::vector<std::size_t> offsets;
  for (std::size_t i = 0; i < objects.size(); ++i) {
    offsets.push_back(pdf.size());
    pdf += fmt::format("{} 0 obj\n{}\nendobj\n", i + 1, objects[i]);
  }
  const std::size_t table = pdf.size();
  pdf += fmt::format("xref\n0 {}\n0000000000 65535 f \n", objects.size() + 1);
  for (const std::size_t offset : offsets) pdf += fmt::format("{:010} 00000 n \n", offset);
  pdf += fmt::format("trailer\n<< /Size {} /Root 1 0 R >>\nstartxref\n{}\n%%EOF\n",
                     objects.size() + 1, table);
  return pdf;
}

}  // namespace

Target make_target(const TargetOptions& options) {
  const BoardPattern& pattern = options.pattern;
  if (!(pattern.square_mm >= 0.05)) {
    throw data_error("Squares under 0.05 mm can't be drawn as a target; choose larger ones.");
  }
  const double width = (pattern.columns + 1) * pattern.square_mm;
  const double height = (pattern.rows + 1) * pattern.square_mm;
  if (std::max(width, height) > 2000.0) {
    throw data_error(
        fmt::format("The board would be {:g} x {:g} mm; choose fewer or smaller squares so that it "
                    "stays within 2000 mm.",
                    width, height));
  }
  const double margin =
      options.margin_mm > 0 ? options.margin_mm : std::max(10.0, 1.5 * pattern.square_mm);
  Target target;
  target.ruler_mm = std::clamp(std::floor(width / 10.0) * 10.0, 50.0, 200.0);
  const Drawing drawing = draw(options, margin, static_cast<int>(target.ruler_mm));
  target.width_mm = drawing.width_mm;
  target.height_mm = drawing.height_mm;
  target.svg = to_svg(drawing);
  target.pdf = to_pdf(drawing);
  if (std::min(width, height) < 20.0) {
    target.findings.push_back(
        {Severity::doubt, "target", "",
         fmt::format("The board is {:g} x {:g} mm; paper targets are suitable only for fields over "
                     "about 20 mm, because ink bleeds and paper is not flat.",
                     width, height),
         "For smaller fields buy a checkerboard of chrome on glass."});
  }
  if ((pattern.columns + pattern.rows) % 2 == 0) {
    target.findings.push_back(
        {Severity::note, "target", "",
         "This board looks the same after half a turn, because both counts of corners are odd or "
         "both are even.",
         "Choose one odd and one even count, for example 9x6, to calibrate a rotation axis."});
  }
  return target;
}

}  // namespace trunnion::target
