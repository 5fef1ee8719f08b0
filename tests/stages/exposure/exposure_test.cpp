#include "stages/exposure/exposure.h"

#include <fmt/format.h>
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <opencv2/imgproc.hpp>
#include <string>
#include <vector>

#include "core/error.h"
#include "tests/support/even_survey.h"

namespace trunnion::exposure {
namespace exposure_test {

using testing::HasSubstr;

ToneCurve power(double exponent) {
  return {"power", [exponent](double value) { return std::pow(value, exponent); }};
}

// ---- Tone curves

// IEC 61966-2-1, from memory: the two parts meet at 0.04045 / 0.0031308; half of full scale has
// 0.2140 of the light, the codes 128 and 188 of 255 have 0.2159 and 0.5029; 18 % grey is at 0.4614.
TEST(ToneCurve, OfSrgbMeetsTheStandard) {
  const ToneCurve curve = srgb_curve();
  EXPECT_EQ(curve.light(0.0), 0.0);
  EXPECT_EQ(curve.light(1.0), 1.0);
  EXPECT_NEAR(curve.light(0.04045), 0.0031308, 1e-7);
  EXPECT_NEAR(curve.light(0.5), 0.214041, 1e-6);
  EXPECT_NEAR(curve.light(128.0 / 255.0), 0.215861, 1e-6);
  EXPECT_NEAR(curve.light(188.0 / 255.0), 0.502886, 1e-5);
  EXPECT_NEAR(curve.value(0.18), 0.461356, 1e-6);
  EXPECT_NEAR(curve.value(0.0031308), 0.04045, 1e-6);
}

TEST(ToneCurve, AndItsOppositeReturnEveryCode) {
  for (const ToneCurve& curve : {srgb_curve(), linear_curve(), power(1.8), power(2.2)}) {
    int wrong = 0;
    for (int code = 0; code <= 65535; ++code) {
      const double back = curve.value(curve.light(code / 65535.0)) * 65535.0;
      wrong += std::lround(back) == code ? 0 : 1;
    }
    EXPECT_EQ(wrong, 0) << curve.name();
  }
}

std::string big_endian(std::uint32_t number, int bytes) {
  std::string text;
  for (int shift = 8 * (bytes - 1); shift >= 0; shift -= 8) {
    text += static_cast<char>(number >> static_cast<unsigned>(shift) & 0xFFU);
  }
  return text;
}

// The layout of ICC.1 (7.2, 7.3), from memory: header of 128 bytes, tag table, one tag.
Metadata with_profile(const std::string& tag) {
  Metadata metadata;
  metadata.icc = std::string(128, '\0') + big_endian(1, 4) + "gTRC" + big_endian(144, 4) +
                 big_endian(static_cast<std::uint32_t>(tag.size()), 4) + tag;
  return metadata;
}

std::string curve_type(const std::vector<std::uint32_t>& entries) {
  std::string tag =
      "curv" + big_endian(0, 4) + big_endian(static_cast<std::uint32_t>(entries.size()), 4);
  for (const std::uint32_t entry : entries) tag += big_endian(entry, 2);
  return tag;
}

std::string parametric(std::uint32_t kind, const std::vector<double>& parameters) {
  std::string tag = "para" + big_endian(0, 4) + big_endian(kind, 2) + big_endian(0, 2);
  for (const double p : parameters) {
    tag += big_endian(static_cast<std::uint32_t>(std::lround(p * 65536.0)), 4);
  }
  return tag;
}

double light_at_half(const Metadata& metadata) {
  const FoundCurve found = curve_of(metadata, ToneCurveChoice::profile);
  EXPECT_FALSE(found.assumed);
  return found.curve.light(0.5);
}

TEST(ToneCurve, IsReadFromTheProfile) {
  EXPECT_NEAR(light_at_half(with_profile(curve_type({}))), 0.5, 1e-12);
  EXPECT_NEAR(light_at_half(with_profile(curve_type({563}))), std::pow(0.5, 563.0 / 256.0), 1e-6);
  EXPECT_NEAR(light_at_half(with_profile(curve_type({0, 10000, 65535}))), 10000.0 / 65535, 1e-4);
  EXPECT_NEAR(light_at_half(with_profile(parametric(0, {1.8}))), std::pow(0.5, 1.8), 1e-4);
  const Metadata srgb =
      with_profile(parametric(3, {2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045}));
  const FoundCurve found = curve_of(srgb, ToneCurveChoice::profile);
  const ToneCurve standard = srgb_curve();
  for (int k = 0; k <= 100; ++k) {
    EXPECT_NEAR(found.curve.light(k / 100.0), standard.light(k / 100.0), 1e-4) << k;
  }
}

TEST(ToneCurve, IsReadFromThePng) {
  Metadata metadata;
  metadata.png.push_back({"gAMA", big_endian(45455, 4)});  // W3C PNG, 11.3.3.2: 1/2.2 is stored so
  EXPECT_NEAR(light_at_half(metadata), std::pow(0.5, 2.2), 1e-4);
  metadata.png.push_back({"sRGB", std::string(1, '\0')});  // takes precedence there
  EXPECT_NEAR(light_at_half(metadata), 0.214041, 1e-6);
}

TEST(ToneCurve, IsSrgbWhereNothingIsSaidAndAssumedWhereTheProfileCantBeRead) {
  EXPECT_NEAR(light_at_half({}), 0.214041, 1e-6);
  for (const std::string& tag :
       {std::string("mft2....."), std::string("curv"), curve_type({60000, 10000}),
        parametric(3, {2.4}), parametric(9, {1.0})}) {
    const FoundCurve found = curve_of(with_profile(tag), ToneCurveChoice::profile);
    EXPECT_TRUE(found.assumed) << tag;
    EXPECT_NEAR(found.curve.light(0.5), 0.214041, 1e-6);
    EXPECT_FALSE(curve_of(with_profile(tag), ToneCurveChoice::linear).assumed);
  }
}

// ---- Scaling

// Every code once, in three colours and an alpha.
cv::Mat every_code(int bits) {
  const int side = bits == 16 ? 256 : 16;
  cv::Mat image(side, side, bits == 16 ? CV_16UC4 : CV_8UC4);
  for (int y = 0; y < side; ++y) {
    for (int x = 0; x < side; ++x) {
      const int code = y * side + x;
      if (bits == 16) {
        image.at<cv::Vec<std::uint16_t, 4>>(y, x) =
            cv::Vec<std::uint16_t, 4>::all(static_cast<std::uint16_t>(code));
      } else {
        image.at<cv::Vec4b>(y, x) = cv::Vec4b::all(static_cast<std::uint8_t>(code));
      }
    }
  }
  return image;
}

// Codes above what the factor lets stay unclipped become zero.
cv::Mat codes_below_limit(int bits, const ToneCurve& curve, double factor,
                          const Illumination& illumination) {
  cv::Mat image = every_code(bits);
  const double full = bits == 16 ? 65535.0 : 255.0;
  for (double most = full - 1.0; greatest_factor(image, curve, illumination) < factor;) {
    most *= 0.99;
    cv::Mat values;
    image.convertTo(values, CV_32F);
    cv::Mat within;
    cv::inRange(values, cv::Scalar::all(0.0), cv::Scalar::all(most), within);
    cv::Mat clipped;
    cv::inRange(values, cv::Scalar::all(full), cv::Scalar::all(full), clipped);
    image.setTo(cv::Scalar::all(0.0), (within | clipped) == 0);
  }
  return image;
}

int clipped_samples(const cv::Mat& image) {
  const double full = image.depth() == CV_16U ? 65535.0 : 255.0;
  return cv::countNonZero(image.reshape(1) == full);
}

class Undone : public testing::TestWithParam<int> {};

TEST_P(Undone, ReturnsEveryValueToWithinOneCount) {
  Illumination sloped;
  sloped.terms = {-0.012345, 0.02, -0.15, 0, 0, -0.01, 0.03, 0, 0, -0.2, 0, 0.05, 0, 0, -0.02};
  for (const ToneCurve& curve : {srgb_curve(), linear_curve(), power(2.2)}) {
    for (const Illumination& illumination : {Illumination{}, sloped}) {
      for (const double factor : {0.333334, 0.5, 0.9, 1.0, 1.083456, 2.5}) {
        const cv::Mat before = codes_below_limit(GetParam(), curve, factor, illumination);
        cv::Mat image = before.clone();
        scale_light(image, curve, factor, illumination);
        EXPECT_EQ(image.type(), before.type());
        EXPECT_EQ(clipped_samples(image), clipped_samples(before)) << curve.name() << factor;
        EXPECT_EQ(factor == 1.0 && illumination.even(),
                  cv::norm(image, before, cv::NORM_INF) == 0.0);
        undo(image, curve, factor, illumination);
        EXPECT_LE(cv::norm(image, before, cv::NORM_INF), 1.0) << curve.name() << factor;
        std::vector<cv::Mat> planes;
        cv::split(image, planes);
        std::vector<cv::Mat> planes_before;
        cv::split(before, planes_before);
        EXPECT_EQ(cv::norm(planes[3], planes_before[3], cv::NORM_INF), 0.0) << "alpha";
      }
    }
  }
}

INSTANTIATE_TEST_SUITE_P(Bits, Undone, testing::Values(8, 16));

// ---- Stations

constexpr double kLight = 0.35;  // of the backdrop

double code_of(double light) {
  return std::round(srgb_curve().value(light) * 65535.0);
}

// A station that got `gain` of the light, and what measure_view says of its backdrop.
struct Station {
  SurveyResult survey = test::even_survey({64, 48}, 4, cv::Scalar::all(code_of(kLight)));
  cv::Mat image;
  double level = 0;
  explicit Station(double gain)
      : image(48, 64, CV_16UC3, cv::Scalar::all(code_of(kLight * gain))),
        level(code_of(kLight * gain) / code_of(kLight)) {}
  Balance balanced(double wanted = 0.9) {
    return balance(image, {srgb_curve()}, level, survey, {}, wanted);
  }
};

TEST(Exposure, OfAStationIsThatOfItsLightNotOfItsValues) {
  const Station station(0.8);
  EXPECT_NEAR(*exposure_of(station.level, station.survey, srgb_curve()), 0.8, 1e-4);
  EXPECT_NEAR(*exposure_of(station.level, station.survey, linear_curve()), station.level, 1e-6);
}

TEST(Exposure, OfEveryStationBecomesThatOfTheSet) {
  for (const double gain : {0.7, 0.95, 1.0, 1.3}) {
    Station station(gain);
    const Balance balance = station.balanced();
    EXPECT_NEAR(balance.factor, 0.9 / gain, 1e-4 / gain);
    EXPECT_NEAR(cv::mean(station.image)[0], code_of(0.9 * kLight), 2.0) << gain;
    ASSERT_EQ(balance.findings.size(), 1U) << gain;
    EXPECT_EQ(balance.findings[0].severity, Severity::note);
    EXPECT_THAT(balance.findings[0].what, HasSubstr(fmt::format("by {:.6f} ", balance.factor)));
    EXPECT_THAT(balance.findings[0].what,
                HasSubstr(fmt::format("{:+.2f} EV", std::log2(balance.factor))));
  }
}

TEST(Exposure, ClipsNothingAndSaysWhichLevelWouldNeedNoLimit) {
  Station station(0.7);
  station.image.at<cv::Vec3w>(3, 5) = cv::Vec3w(60000, 100, 65535);
  Station same = station;
  same.image = station.image.clone();
  const Balance limited = station.balanced();
  const auto highlight = station.image.at<cv::Vec3w>(3, 5);
  EXPECT_LT(highlight[0], 65535);
  EXPECT_GE(highlight[0], 65532);
  EXPECT_EQ(highlight[2], 65535);
  ASSERT_EQ(limited.findings.size(), 2U);
  EXPECT_EQ(limited.findings[1].severity, Severity::doubt);
  const std::string start = "Set exposure.level_percent = ";
  ASSERT_THAT(limited.findings[1].remedy, HasSubstr(start));
  const double percent = std::stod(limited.findings[1].remedy.substr(start.size()));
  EXPECT_EQ(same.balanced(percent / 100.0).findings.size(), 1U);
}

TEST(Exposure, ThatDiffersTooMuchOrCantBeMeasuredIsDoubted) {
  Station bright(2.8);
  bright.survey = test::even_survey({64, 48}, 4, cv::Scalar::all(code_of(0.2)));
  bright.level = code_of(0.9) / code_of(0.2);
  const Balance much = bright.balanced();
  EXPECT_NEAR(much.factor, kLeastFactor, 1e-6);
  ASSERT_EQ(much.findings.size(), 2U);
  EXPECT_EQ(much.findings[1].severity, Severity::doubt);

  Station unknown(1.0);
  unknown.level = 0;
  const Balance none = unknown.balanced();
  EXPECT_NEAR(none.factor, 0.9, 1e-6);
  ASSERT_EQ(none.findings.size(), 2U);
  EXPECT_THAT(none.findings[0].what, HasSubstr("could not be measured"));

  Station white(1.0);
  white.survey = test::even_survey({64, 48}, 4, cv::Scalar::all(65535));
  EXPECT_FALSE(exposure_of(1.0, white.survey, srgb_curve()).has_value());
}

// ---- Illumination

// Natural vignetting: light falls with cos^4 of the angle off the axis (handbooks of applied
// optics, from memory). `scale`: half the diagonal over the principal distance.
double cos4(double x, double y, cv::Size size, double scale) {
  const double half = std::hypot(size.width, size.height) / 2.0;
  const double r = std::hypot(x - (size.width - 1) / 2.0, y - (size.height - 1) / 2.0) / half;
  return std::pow(std::cos(std::atan(r * scale)), 4.0);
}

cv::Mat card(cv::Size size, double light, double scale) {
  cv::Mat image(size, CV_16UC3);
  for (int y = 0; y < size.height; ++y) {
    for (int x = 0; x < size.width; ++x) {
      image.at<cv::Vec3w>(y, x) =
          cv::Vec3w::all(static_cast<std::uint16_t>(code_of(light * cos4(x, y, size, scale))));
    }
  }
  return image;
}

double unevenness(const cv::Mat& image) {
  double least = 0;
  double most = 0;
  cv::minMaxLoc(image.reshape(1), &least, &most);
  return 1.0 - srgb_curve().light(least / 65535.0) / srgb_curve().light(most / 65535.0);
}

TEST(Illumination, OfCos4IsEvenedOut) {
  cv::Mat image = card({320, 240}, 0.5, 0.55);
  EXPECT_GT(unevenness(image), 0.4);
  const Illumination found = illumination_of(image, srgb_curve(), "card.tif");
  scale_light(image, srgb_curve(), 1.0, found);
  EXPECT_LT(unevenness(image), 0.01);
  EXPECT_NEAR(srgb_curve().light(image.at<cv::Vec3w>(120, 160)[0] / 65535.0), 0.5, 0.005);
}

TEST(Illumination, IsTheSameWithAPinAndSpecksInTheImage) {
  const cv::Mat clean = card({320, 240}, 0.5, 0.4);
  cv::Mat spoilt = clean.clone();
  spoilt(cv::Rect(150, 100, 20, 140)).setTo(cv::Scalar::all(9000));
  cv::circle(spoilt, {60, 60}, 8, cv::Scalar::all(20000), cv::FILLED);
  const cv::Size size = clean.size();
  const Illumination of_clean = illumination_of(clean, srgb_curve(), "clean.tif");
  const Illumination of_spoilt = illumination_of(spoilt, srgb_curve(), "spoilt.tif");
  std::vector<double> expected;
  std::vector<double> found;
  for (int y = 0; y < size.height; y += 20) {
    of_clean.logarithms(y, size, expected);
    of_spoilt.logarithms(y, size, found);
    for (std::size_t x = 0; x < found.size(); ++x) EXPECT_NEAR(found[x], expected[x], 2e-3);
  }
}

std::string refusal(const cv::Mat& image) {
  try {
    (void)illumination_of(image, srgb_curve(), "card.tif");
  } catch (const Error& error) {
    EXPECT_EQ(error.kind(), Error::Kind::data);
    return error.what();
  }
  return "";
}

TEST(Illumination, IsNotTakenFromWhatIsNoEvenSurface) {
  const cv::Size size(320, 240);
  EXPECT_THAT(refusal(cv::Mat(size, CV_8UC3, cv::Scalar::all(2))), HasSubstr("100 % of it is too"));
  EXPECT_THAT(refusal(cv::Mat(size, CV_8U, cv::Scalar::all(255))), HasSubstr("clipped"));
  EXPECT_THAT(refusal(card(size, 0.5, 1.2)), HasSubstr("of the light of its brightest"));
  cv::Mat squares(size, CV_8U);
  for (int y = 0; y < size.height; ++y) {
    for (int x = 0; x < size.width; ++x) {
      squares.at<std::uint8_t>(y, x) = (x / 20 + y / 20) % 2 == 0 ? 100 : 150;
    }
  }
  EXPECT_THAT(refusal(squares), HasSubstr("card.tif: it is not an even surface"));
  EXPECT_EQ(refusal(card(size, 0.5, 0.5)), "");
}

TEST(Illumination, OfASetIsFoundOnceAndFailsAlike) {
  SetIllumination set;
  int calls = 0;
  const auto fails = [&calls]() -> Illumination {
    ++calls;
    throw data_error("card.tif: no.");
  };
  EXPECT_THROW((void)set.get(fails), Error);
  EXPECT_THROW((void)set.get(fails), Error);
  EXPECT_EQ(calls, 1);
}

TEST(Illumination, IsRecordedAsItWasApplied) {
  const Illumination found = illumination_of(card({320, 240}, 0.5, 0.4), srgb_curve(), "card.tif");
  for (const double term : found.terms) {
    EXPECT_NEAR(term * 1e6, std::round(term * 1e6), 1e-6);
    if (term != 0.0) {
      EXPECT_THAT(found.text(), HasSubstr(fmt::format("{:.6f}", std::abs(term))));
    }
  }
}

}  // namespace exposure_test
}  // namespace trunnion::exposure
