#include "stages/target/target.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <vector>

#include "core/board_numbering.h"
#include "core/coded_board.h"
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
struct Dot {
  double x, y, radius;  // mm
};
struct Drawing {
  double width_mm, height_mm;
  std::vector<Rectangle> dark;
  std::vector<Dot> dots;
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

bool has_dots(const BoardPattern& pattern) {
  return pattern.kind == BoardKind::circles || pattern.kind == BoardKind::staggered;
}

// Diameter of the dots: half the distance of the nearest ones.
double dot_diameter_mm(const BoardPattern& pattern) {
  const double nearest = pattern.kind == BoardKind::staggered ? std::sqrt(2.0) : 1.0;
  return 0.5 * nearest * pattern.square_mm;
}

// A marker's dark cells, joined along the rows.
void add_marker(Drawing& drawing, const BoardPattern& pattern, int id, double x, double y) {
  const double side = marker_side_mm(pattern);
  const double inset = 0.5 * (pattern.square_mm - side);
  const auto cells = marker_cells(pattern, id);
  const double cell = side / static_cast<double>(cells.size());
  for (std::size_t row = 0; row < cells.size(); ++row) {
    for (std::size_t from = 0; from < cells.size(); ++from) {
      if (!cells[row][from]) continue;
      std::size_t to = from;
      while (to < cells.size() && cells[row][to]) ++to;
      drawing.dark.push_back({x + inset + static_cast<double>(from) * cell,
                              y + inset + static_cast<double>(row) * cell,
                              static_cast<double>(to - from) * cell, cell});
      from = to;
    }
  }
}

// The board itself, its outer edge at (left, top).
void add_board(Drawing& drawing, const BoardPattern& pattern, double left, double top) {
  const double side = pattern.square_mm;
  if (has_dots(pattern)) {
    for (int row = 0; row < pattern.lattice_rows(); ++row) {
      for (int column = 0; column < pattern.lattice_columns(); ++column) {
        if (pattern.kind == BoardKind::staggered && (row + column) % 2 != 0) continue;
        drawing.dots.push_back(
            {left + (column + 1) * side, top + (row + 1) * side, 0.5 * dot_diameter_mm(pattern)});
      }
    }
    return;
  }
  for (int row = 0; row <= pattern.rows; ++row) {
    for (int column = 0; column <= pattern.columns; ++column) {
      const double x = left + column * side;
      const double y = top + row * side;
      if ((row + column) % 2 == 0) {
        drawing.dark.push_back({x, y, side, side});
      } else if (pattern.kind == BoardKind::coded) {
        add_marker(drawing, pattern, marker_at(pattern, column, row), x, y);
      }
    }
  }
}

// What the board is, with everything that the calibration must be given of it.
std::string description(const BoardPattern& pattern) {
  switch (pattern.kind) {
    case BoardKind::coded:
      return fmt::format(
          "{} x {} inner corners, squares of {:g} mm, markers of {:g} mm, dictionary {}x{}.",
          pattern.columns, pattern.rows, pattern.square_mm, marker_side_mm(pattern),
          pattern.marker_bits, pattern.marker_bits);
    case BoardKind::circles:
      return fmt::format("{} x {} circles, {:g} mm apart, diameter {:.4g} mm.", pattern.columns,
                         pattern.rows, pattern.square_mm, dot_diameter_mm(pattern));
    case BoardKind::staggered:
      return fmt::format(
          "{} circles in each of {} staggered rows, rows {:g} mm apart, diameter {:.4g} mm.",
          pattern.columns, pattern.rows, pattern.square_mm, dot_diameter_mm(pattern));
    case BoardKind::checkerboard:
      break;
  }
  return fmt::format("{} x {} inner corners, squares of {:g} mm.", pattern.columns, pattern.rows,
                     pattern.square_mm);
}

Drawing draw(const TargetOptions& options, double margin_mm, int ruler_mm) {
  const BoardPattern& pattern = options.pattern;
  const double side = pattern.square_mm;
  const double board_width = (pattern.lattice_columns() + 1) * side;
  const double board_height = (pattern.lattice_rows() + 1) * side;
  // The ruler on the left stands clear of the board's own white border.
  const double left = margin_mm + 8.0;
  Drawing drawing;
  drawing.width_mm = std::max(left + board_width + margin_mm, 120.0);
  drawing.height_mm = margin_mm + board_height + margin_mm + kFootMm;
  add_board(drawing, pattern, left, margin_mm);
  const double foot = margin_mm + board_height + margin_mm;
  add_ruler(drawing, left, foot, ruler_mm, false);
  const int upright_mm = static_cast<int>(std::min<double>(ruler_mm, std::floor(foot - 4.0)));
  add_ruler(drawing, 3.0, 4.0, upright_mm, true);
  drawing.texts.push_back(
      {left, foot + 9.0, kTextMm, description(pattern) + " Print at 100 %, no scaling."});
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
  for (const Dot& dot : drawing.dots) {
    svg += fmt::format(
        "M{0:.4f} {1:.4f}a{2:.4f} {2:.4f} 0 1 0 {3:.4f} 0a{2:.4f} {2:.4f} 0 1 0 "
        "{4:.4f} 0z",
        dot.x - dot.radius, dot.y, dot.radius, 2 * dot.radius, -2 * dot.radius);
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

constexpr double kPoints = 72.0 / 25.4;

// Four cubic curves; their control points at 0.55228 of the radius keep within 0.03 % of it (common
// practice, from memory).
std::string pdf_dot(const Dot& dot, double height_mm) {
  const double x = dot.x * kPoints;
  const double y = (height_mm - dot.y) * kPoints;
  const double r = dot.radius * kPoints;
  const double k = 0.5522847498 * r;
  std::string path = fmt::format("{:.4f} {:.4f} m\n", x + r, y);
  const auto curve = [&](double x1, double y1, double x2, double y2, double x3, double y3) {
    path += fmt::format("{:.4f} {:.4f} {:.4f} {:.4f} {:.4f} {:.4f} c\n", x + x1, y + y1, x + x2,
                        y + y2, x + x3, y + y3);
  };
  curve(r, k, k, r, 0, r);
  curve(-k, r, -r, k, -r, 0);
  curve(-r, -k, -k, -r, 0, -r);
  curve(k, -r, r, -k, r, 0);
  return path + "f\n";
}

// PDF 1.4 with one page; y runs up.
std::string to_pdf(const Drawing& drawing) {
  const double height = drawing.height_mm;
  std::string content = "0 g\n";
  for (const Rectangle& r : drawing.dark) {
    content +=
        fmt::format("{:.4f} {:.4f} {:.4f} {:.4f} re f\n", r.x * kPoints,
                    (height - r.y - r.height) * kPoints, r.width * kPoints, r.height * kPoints);
  }
  for (const Dot& dot : drawing.dots) content += pdf_dot(dot, height);
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
  if (pattern.kind == BoardKind::coded) check_coded(pattern);
  const double width = (pattern.lattice_columns() + 1) * pattern.square_mm;
  const double height = (pattern.lattice_rows() + 1) * pattern.square_mm;
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
  const BoardPart whole{pattern.lattice_columns(), pattern.lattice_rows(), true};
  if (placements(whole, pattern).size() > 1) {
    target.findings.push_back(
        {Severity::note, "target", "",
         "This board looks the same after half a turn; the images of one axis calibration settle "
         "its numbering together.",
         "Choose one odd and one even count, for example 9x6, or a coded board, to have it in each "
         "image."});
  }
  return target;
}

}  // namespace trunnion::target
