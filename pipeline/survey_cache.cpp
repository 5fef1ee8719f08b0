#include "pipeline/survey_cache.h"

#include "pipeline/archive.h"

namespace trunnion {
namespace {

template <typename Archive>
void fields(Archive& archive, SurveyResult& survey) {
  archive(survey.width_px);
  archive(survey.height_px);
  archive(survey.full_scale);
  archive(survey.scale);
  archive(survey.backdrop);
  archive(survey.backdrop_seen);
  archive(survey.mount);
  archive(survey.occupied);
  archive(survey.noise_at_zero);
  archive(survey.noise_per_level);
  archive(survey.falloff);
  archive(survey.separation.noise);
  archive(survey.separation.specimen);
  archive(survey.separation.low);
  archive(survey.separation.high);
  archive.list(survey.spots, [](auto& a, Spot& spot) {
    a(spot.x_px);
    a(spot.y_px);
    a(spot.diameter_px);
    a(spot.contrast);
    a(spot.hot_pixel);
    a(spot.length_px);
    a(spot.angle);
    a(spot.trail);
    a(spot.transmission);
    a(spot.patch_step);
  });
  archive.list(survey.images, [](auto& a, std::size_t& image) { a(image); });
  archive_findings(archive, survey.findings);
}

}  // namespace

std::string survey_to_bytes(const SurveyResult& survey) {
  return to_archive(survey, [](auto& archive, SurveyResult& value) { fields(archive, value); });
}

SurveyResult survey_from_bytes(std::string_view bytes) {
  return from_archive<SurveyResult>(
      bytes, [](auto& archive, SurveyResult& value) { fields(archive, value); });
}

}  // namespace trunnion
