#include "stages/report/report.h"

#include <fmt/format.h>
#include <gmock/gmock.h>

#include <fstream>
#include <numbers>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>

#include "core/error.h"
#include "core/files.h"
#include "tests/support/open_data.h"
#include "tests/support/sample_report.h"

namespace trunnion::report {
namespace report_test {

using testing::HasSubstr;
using testing::Not;

test::SampleOptions small() {
  test::SampleOptions options;
  options.width_px = 150;
  return options;
}

cv::Mat noise(cv::Size size, int type) {
  cv::Mat image(size, type);
  cv::RNG random(3);
  random.fill(image, cv::RNG::UNIFORM, 0, image.depth() == CV_8U ? 255 : 65535);
  return image;
}

std::vector<std::uint8_t> bytes_of(const std::string& text) {
  return {text.begin(), text.end()};
}

TEST(ReportPictures, StayWithinTheirBytesEvenForNoise) {
  const ThumbnailOptions options;
  for (const int type : {CV_8UC1, CV_8UC3, CV_16UC3, CV_16UC4}) {
    const cv::Mat image = noise({1200, 800}, type);
    const ViewThumbnails pictures = make_thumbnails(image, image, {});
    EXPECT_LE(pictures.small_jpeg.size(), options.small_bytes);
    EXPECT_LE(pictures.before_jpeg.size(), options.large_bytes);
    EXPECT_LE(pictures.after_jpeg.size(), options.large_bytes);
    EXPECT_FALSE(cv::imdecode(bytes_of(pictures.after_jpeg), cv::IMREAD_COLOR).empty());
  }
}

TEST(ReportPictures, SixteenBitShowsTheSameAsEight) {
  cv::Mat eight(300, 400, CV_8UC3, cv::Scalar(40, 120, 200));
  cv::Mat sixteen;
  eight.convertTo(sixteen, CV_16U, 257.0);
  const cv::Mat a = cv::imdecode(bytes_of(make_thumbnails(eight, eight, {}).after_jpeg), 1);
  const cv::Mat b = cv::imdecode(bytes_of(make_thumbnails(sixteen, sixteen, {}).after_jpeg), 1);
  EXPECT_LE(cv::norm(a, b, cv::NORM_INF), 1);
}

// The outline, filled by OpenCV's polygon code, must give the mask back.
TEST(ReportPictures, OutlineFollowsTheMask) {
  cv::Mat mask = cv::Mat::zeros(1000, 1500, CV_8UC1);
  cv::ellipse(mask, {700, 500}, {420, 260}, 20, 0, 360, cv::Scalar(255), cv::FILLED);
  cv::circle(mask, {700, 500}, 90, cv::Scalar(0), cv::FILLED);  // a hole
  const ViewThumbnails pictures = make_thumbnails(mask, mask, mask);
  std::vector<std::vector<cv::Point>> polygons;
  for (std::size_t at = 0; at < pictures.outline.size(); ++at) {
    const char c = pictures.outline[at];
    if (c == 'M') polygons.emplace_back();
    if (c != 'M' && c != 'L') continue;
    int x = 0;
    int y = 0;
    ASSERT_EQ(std::sscanf(pictures.outline.c_str() + at + 1, "%d %d", &x, &y), 2);
    polygons.back().emplace_back(x, y);
  }
  ASSERT_EQ(polygons.size(), 2U);
  cv::Mat filled = cv::Mat::zeros(mask.size(), CV_8UC1);
  cv::fillPoly(filled, polygons, cv::Scalar(255));
  cv::Mat differs = filled != mask;
  // A border of 2 px of the large picture around both edges is the most that may differ.
  const double border = 2 * std::numbers::pi * (340 + 90) * 2 * 1500.0 / 880.0;
  EXPECT_LT(cv::countNonZero(differs), border);
  EXPECT_GT(cv::countNonZero(filled), 0.97 * cv::countNonZero(mask));
}

TEST(ReportPictures, PackedPicturesComeBack) {
  const cv::Mat image = noise({200, 150}, CV_8UC3);
  const ViewThumbnails pictures =
      make_thumbnails(image, image, image.rowRange(0, 150).clone().reshape(1).colRange(0, 200) > 1);
  const ViewThumbnails back = unpack_thumbnails(pack(pictures));
  EXPECT_EQ(back.small_jpeg, pictures.small_jpeg);
  EXPECT_EQ(back.before_jpeg, pictures.before_jpeg);
  EXPECT_EQ(back.after_jpeg, pictures.after_jpeg);
  EXPECT_EQ(back.outline, pictures.outline);
  EXPECT_EQ(back.after_width_px, 200);
  const std::string damaged = pack(pictures).substr(0, 100);
  EXPECT_THROW(unpack_thumbnails(damaged), Error);
}

TEST(ReportScene, DerivesTheSlipAndTheResiduals) {
  const Scene scene = test::sample_scene(small());
  ReportData data;
  add_scene(data, scene);
  ASSERT_EQ(data.views.size(), scene.views.size());
  for (const ReportView& view : data.views) {
    ASSERT_TRUE(view.angle_correction);
    // 0.05 degrees of jitter was put in, and 1.8 at one station.
    const double expected = view.name == "high_004" ? 1.8 : 0.0;
    EXPECT_NEAR(*view.angle_correction * 180 / std::numbers::pi, expected, 0.25) << view.name;
    ASSERT_TRUE(view.residual_px);
    // Noise of 0.3 px in each coordinate: 0.3 sqrt(2) = 0.424 px.
    EXPECT_NEAR(*view.residual_px, 0.424, 0.07) << view.name;
    EXPECT_LE(view.residuals.size(), ReportLimits().residuals_per_view);
    EXPECT_GT(*view.inliers, 50);
  }
  EXPECT_EQ(data.tie_points_total, scene.tie_points.size());
}

TEST(ReportJudgement, NamesEveryFaultyStation) {
  const Judgement judgement = judge(test::sample_report(small()));
  EXPECT_EQ(judgement.verdict, Verdict::reshoot);
  for (const char* place :
       {test::kMissing, test::kBlurred, test::kDrifted, test::kSlipped, test::kMaskless}) {
    EXPECT_THAT(judgement.sentence, HasSubstr(place));
    EXPECT_TRUE(std::any_of(judgement.to_do.begin(), judgement.to_do.end(), [&](const ToDo& item) {
      return item.where == place && !item.anchor.empty();
    })) << place;
  }
  EXPECT_EQ(judgement.to_do.size(), 5U);
  EXPECT_EQ(judgement.notes.size(), 1U);
}

TEST(ReportJudgement, AGapSpeaksWithoutAFinding) {
  ReportData data = test::sample_report(small());
  data.findings.clear();
  data.refined = false;  // no review
  const Judgement judgement = judge(data);
  EXPECT_EQ(judgement.sentence, "Not complete: low 7 is missing.");
  ASSERT_EQ(judgement.to_do.size(), 1U);
  EXPECT_EQ(judgement.to_do[0].anchor, "gap-0");
}

TEST(ReportJudgement, RunsAndWholeSetsAreNamedShort) {
  ReportData data = test::sample_report(small());
  data.findings.clear();
  data.gaps.clear();
  data.refined = false;  // no review
  for (const int station : {1, 2, 3, 4, 9}) {
    data.findings.push_back({Severity::doubt, "mask", fmt::format("low_{:03}", station), "a", "b"});
  }
  EXPECT_EQ(judge(data).sentence, "Usable, with doubts: check low 1 to low 4 and low 9.");
  for (const ReportView& view : data.views) {
    data.findings.push_back({Severity::doubt, "mask", view.source_file, "a", "b"});
  }
  EXPECT_EQ(judge(data).sentence, "Usable, with doubts: check all 47 images.");
}

TEST(ReportJudgement, FragmentsBecomeSentencesAndNamesOfFilesStay) {
  ReportData data = test::sample_report(small());
  data.findings = {{Severity::note, "ingest", "", "fused/low_7.tif is no image", "look at it"},
                   {Severity::note, "ingest", "", "low_7.tif is no image", "look at it"},
                   {Severity::note, "ingest", "", "two images differ", "look at them."}};
  data.gaps.clear();
  data.refined = false;  // no review
  const Judgement judgement = judge(data);
  ASSERT_EQ(judgement.notes.size(), 3U);
  EXPECT_EQ(judgement.notes[0].what, "fused/low_7.tif is no image.");
  EXPECT_EQ(judgement.notes[1].what, "low_7.tif is no image.");
  EXPECT_EQ(judgement.notes[2].what, "Two images differ.");
  EXPECT_EQ(judgement.notes[2].remedy, "Look at them.");
}

// A slip that stays names the station where it began; one that comes back names that station.
TEST(ReportReview, FindsTheSlipThatStaysAndTheOneThatReturns) {
  ReportData data = test::sample_report(small());
  const Findings back = review(data);
  ASSERT_EQ(back.size(), 1U);
  EXPECT_EQ(back[0].file, "fused/high_004.tif");
  EXPECT_THAT(back[0].what, HasSubstr("and back"));
  for (ReportView& view : data.views) {
    view.angle_correction = view.ring == "low" && view.station >= 9 ? 0.04 : 0.0;
  }
  const Findings stays = review(data);
  ASSERT_EQ(stays.size(), 1U);
  EXPECT_EQ(stays[0].file, "fused/low_009.tif");
  EXPECT_THAT(stays[0].what,
              HasSubstr("From low 9 on, stage angles are offset by +2.29 degrees (typical"));
  test::SampleOptions good = small();
  good.faults = false;
  EXPECT_TRUE(review(test::sample_report(good)).empty());
}

TEST(ReportJudgement, AGoodSetIsReady) {
  test::SampleOptions options = small();
  options.faults = false;
  const Judgement judgement = judge(test::sample_report(options));
  EXPECT_EQ(judgement.verdict, Verdict::good);
  EXPECT_EQ(judgement.sentence, "Ready: all 48 stations are prepared and none is in doubt.");
}

TEST(Report, ComesBackFromItsFolderAndIsRemadeByteForByte) {
  const test::TemporaryFolder folder;
  const ReportData data = test::sample_report(small());
  write_report(data, folder.path() / "report");
  const std::string page = read_file(folder.path() / "report" / "index.html");
  const ReportData back = read_report(folder.path() / "report");
  ASSERT_EQ(back.views.size(), data.views.size());
  EXPECT_NEAR(*back.views[3].sigma_position_mm, *data.views[3].sigma_position_mm, 1e-6);
  EXPECT_TRUE(back.views[3].pose.R.isApprox(data.views[3].pose.R, 1e-10));
  EXPECT_TRUE(back.views[3].pose.t.isApprox(data.views[3].pose.t, 1e-10));
  write_report(back, folder.path() / "report");
  // Not EXPECT_EQ, which would print both pages.
  EXPECT_TRUE(read_file(folder.path() / "report" / "index.html") == page);
}

TEST(Report, PageNeedsNothingFromOutside) {
  const test::TemporaryFolder folder;
  write_report(test::sample_report(small()), folder.path() / "report");
  const std::string page = read_file(folder.path() / "report" / "index.html");
  EXPECT_THAT(page, Not(HasSubstr("src=\"http")));
  EXPECT_THAT(page, Not(HasSubstr("href=\"http")));
  EXPECT_THAT(page, Not(HasSubstr("@import")));
  EXPECT_THAT(page, HasSubstr("Content-Security-Policy"));
}

// Text of the user ends no element: https://html.spec.whatwg.org, "restrictions for contents of
// script elements" names </script and <!-- as what must not appear.
TEST(Report, HostileTextStaysText) {
  const test::TemporaryFolder folder;
  ReportData data = test::sample_report(small());
  const std::string evil =
      "</script><script>document.title='owned'</script><!--<img src=x "
      "onerror=alert(1)>\xff\xe2\x80\xa8 & \"quoted\"";
  data.title = evil;
  data.findings.push_back({Severity::doubt, evil, evil, evil, evil});
  data.views[0].source_file = "fused/" + evil;
  write_report(data, folder.path() / "report");
  const std::string page = read_file(folder.path() / "report" / "index.html");
  EXPECT_THAT(page, Not(HasSubstr("owned'</script>")));
  EXPECT_THAT(page, Not(HasSubstr("<img src=x")));
  EXPECT_NO_THROW(read_report(folder.path() / "report"));
}

TEST(Report, OlderReportStaysUntilTheNewOneIsComplete) {
  const test::TemporaryFolder folder;
  write_report(test::sample_report(small()), folder.path() / "report");
  const std::string page = read_file(folder.path() / "report" / "index.html");
  ReportData data = test::sample_report(small());
  data.title = "Another";
  write_report(data, folder.path() / "report");
  EXPECT_FALSE(read_file(folder.path() / "report" / "index.html") == page);
  int entries = 0;
  for (const auto& entry : std::filesystem::directory_iterator(folder.path())) {
    EXPECT_EQ(entry.path().filename(), "report");
    ++entries;
  }
  EXPECT_EQ(entries, 1);
}

TEST(Report, RefusesToReplaceAFolderThatIsNoReport) {
  const test::TemporaryFolder folder;
  std::ofstream(folder.path() / "precious.txt") << "keep";
  EXPECT_THROW(write_report(test::sample_report(small()), folder.path()), Error);
  EXPECT_TRUE(std::filesystem::exists(folder.path() / "precious.txt"));
}

TEST(Report, DamagedReportIsNamed) {
  const test::TemporaryFolder folder;
  std::ofstream(folder.path() / "report.json") << "{\"format\": \"trunnion report\"";
  try {
    read_report(folder.path());
    FAIL();
  } catch (const Error& error) {
    EXPECT_THAT(error.what(), HasSubstr("report.json"));
  }
}

}  // namespace report_test
}  // namespace trunnion::report
