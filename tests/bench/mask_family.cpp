// Masks of the family of bodies (tests/support/mask_sets.h) against their truth, a line a set.
//   mask_family tuning|judging [BODY [BACKDROP]] [--cache DIR] [--pictures DIR]
#include <cstdio>
#include <filesystem>
#include <opencv2/imgcodecs.hpp>
#include <span>
#include <string>
#include <vector>

#include "tests/support/mask_family.h"

namespace trunnion::test {
namespace {

struct Wanted {
  bool judging = false;
  std::string body;
  std::string backdrop;
  std::filesystem::path cache;
  std::filesystem::path pictures;
};

void print_row(const std::string& name, const MaskSetScore& s) {
  std::printf("%-18s %4.0f  %.4f %.4f  %.4f  %6.3f %6.3f  %5.3f  %.2f %.2f %.2f", name.c_str(),
              s.size_px, s.overlap, s.worst, s.boundary, 100 * s.filled, 100 * s.worst_filled,
              100 * s.no_contrast, s.thin[0], s.thin[1], s.thin[2]);
  std::printf("  %.4f\n", s.predicted);
  std::fflush(stdout);
}

void write_pictures(const Wanted& wanted, const std::string& name, const RenderedBody& body,
                    const MaskSet& set, const std::vector<mask::MaskResult>& masks) {
  std::filesystem::create_directories(wanted.pictures);
  for (std::size_t k : {std::size_t{0}, std::size_t{3}}) {
    const std::string stem = (wanted.pictures / (name + "_" + std::to_string(k))).string();
    cv::Mat eight;
    set.images[k].convertTo(eight, CV_8U, 1.0 / 257.0);
    cv::imwrite(stem + "_image.png", eight);
    std::vector<cv::Mat> planes{body.views[k].view.coverage, masks[k].coverage, masks[k].coverage};
    cv::Mat compared;
    cv::merge(planes, compared);
    cv::imwrite(stem + "_compared.png", compared);
  }
}

void run(const Wanted& wanted) {
  std::printf("%-18s %4s  %-6s %-6s  %-6s  %6s %6s  %5s  thin <1, 1-2, 2-3 px  %s\n", "set", "px",
              "mean", "worst", "F2px", "fill%", "worst", "none%", "predicted");
  const std::span<const MaskBody> bodies = wanted.judging
                                               ? std::span<const MaskBody>(kJudgingBodies)
                                               : std::span<const MaskBody>(kTuningBodies);
  for (const MaskBody& body : bodies) {
    if (!wanted.body.empty() && wanted.body != body.name) continue;
    const RenderedBody rendered = render_body(body, wanted.cache);
    for (const MaskBackdrop backdrop : kMaskBackdrops) {
      const char* shade = kMaskBackdropNames[static_cast<std::size_t>(backdrop)];
      if (!wanted.backdrop.empty() && wanted.backdrop != shade) continue;
      const std::string name = std::string(body.name) + "/" + shade;
      const MaskSet set = mask_set(rendered, backdrop);
      const std::vector<mask::MaskResult> masks = masks_of(set, survey_set(set));
      print_row(name, score_masks(rendered, set, masks));
      if (!wanted.pictures.empty()) {
        write_pictures(wanted, std::string(body.name) + "-" + shade, rendered, set, masks);
      }
    }
  }
}

}  // namespace
}  // namespace trunnion::test

int main(int argc, char** argv) {
  trunnion::test::Wanted wanted;
  const std::vector<std::string> words(argv + 1, argv + argc);
  std::vector<std::string> plain;
  for (std::size_t i = 0; i < words.size(); ++i) {
    if (words[i] == "--cache" && i + 1 < words.size()) {
      wanted.cache = words[++i];
    } else if (words[i] == "--pictures" && i + 1 < words.size()) {
      wanted.pictures = words[++i];
    } else {
      plain.push_back(words[i]);
    }
  }
  if (plain.empty() || (plain[0] != "tuning" && plain[0] != "judging")) {
    std::fprintf(stderr,
                 "mask_family tuning|judging [BODY [BACKDROP]] [--cache DIR] [--pictures DIR]\n");
    return 2;
  }
  wanted.judging = plain[0] == "judging";
  if (plain.size() > 1) wanted.body = plain[1];
  if (plain.size() > 2) wanted.backdrop = plain[2];
  trunnion::test::run(wanted);
  return 0;
}
