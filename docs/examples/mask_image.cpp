// Masks one image against an image of the empty stage, as `trunnion prepare` does in a set of one:
// the backdrop comes from the empty stage, dust is repaired, then the mask is made.
//   mask_image EMPTY IMAGE OUT.png
#include <trunnion/core/error.h>
#include <trunnion/core/image_io.h>
#include <trunnion/stages/mask/mask.h>
#include <trunnion/stages/repair/repair.h>
#include <trunnion/stages/survey/survey.h>
#include <cstdio>
#include <opencv2/core.hpp>

int main(int argc, char** argv) {
  if (argc != 4) {
    std::fprintf(stderr, "usage: mask_image EMPTY IMAGE OUT.png\n");
    return 2;
  }
  try {
    const trunnion::Settings settings;  // the defaults of specimen.toml
    const auto is_repaired = [&settings](const trunnion::Spot& spot) {
      return trunnion::repair::is_repaired(spot, settings.repair);
    };
    const trunnion::survey::EmptyStage empty{trunnion::read_image(argv[1]), is_repaired};
    cv::Mat image = trunnion::read_image(argv[2]);
    const trunnion::SurveyResult survey = trunnion::survey::survey(
        {0}, [&image](std::size_t) { return image.clone(); }, empty,
        trunnion::BackdropKind::automatic, settings.survey);
    trunnion::repair::repair(image, survey.spots, settings.repair);
    // The size of a pixel matters for margin_mm alone, which is 0 here.
    const auto mask = trunnion::mask::make_mask(image, survey, settings.mask, 1.0);
    trunnion::write_image(argv[3], mask.coverage, {.type = trunnion::FileType::png});
    for (const trunnion::Finding& finding : mask.findings) {
      std::fprintf(stderr, "%s\n", finding.what.c_str());
    }
    return 0;
  } catch (const trunnion::Error& error) {
    std::fprintf(stderr, "%s\n", error.what());
    return 1;
  }
}
