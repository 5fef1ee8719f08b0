// One speck in a field of static gradients (static.h): its shape, how significant it
// is, its transmission.
//
// Shape. A grain some way above the sensor throws a disc with a soft rim, P(r) = 1 inside, 1/2 at
// half the diameter; where a rail series was aligned by scaling it is drawn out along the radius,
// and r is the distance from a line. With depth a = -ln T in the middle the field holds -a grad P.
// Least squares over the field with weights W gives
//   a = -sum W g grad P / sum W |grad P|^2,   sigma_a = (sum W |grad P|^2)^-1/2
// and strength = a / sigma_a, which is also what the shape's parameters maximise.
#pragma once

#include <opencv2/core.hpp>

#include "stages/survey/static.h"

namespace trunnion::survey {

struct Speck {
  cv::Point2d centre;      // px of the field
  double diameter = 0;     // px at half depth, across
  double half_length = 0;  // px of the line it is drawn out along, each way; 0 where round
  double angle = 0;        // rad, of that line
  double softness = 0.4;   // half width of the rim over the radius
  double depth = 0;        // a, negative where brighter
  double strength = 0;     // |a| / sigma_a
  double scatter = 1;      // what strengths scatter by where there is no speck
};

// P at a pixel, how far the pixel lies from the speck's middle, and where P ends.
double shadow_at(const Speck& speck, double x, double y);
double distance_from(const Speck& speck, double x, double y);
double reach_of(const Speck& speck);

// Gradients of P, CV_32FC1 of 2 reach + 1 a side with the speck's (0, 0) in the middle, as
// StaticGradient lays them out.
cv::Mat gradient_of(const Speck& speck, int reach, bool down);

// Depth and strength (over speck.scatter) of the shape as it stands.
void weigh(const StaticGradient& field, Speck& speck);

// Of the longer axis, px.
double length_of(const Speck& speck);

// The shape of greatest strength near `start`; one that grows beyond `longest` (px, of its longer
// axis) is no speck and is not followed further.
Speck fit_speck(const StaticGradient& field, const Speck& start, double longest);

// Whether the shape is confirmed all around it.
struct SpeckSupport {
  int sectors = 0;          // of eight that have data: fewer at the edge of the image
  double roughness = 0;     // mean chi-squared of the sectors' depths about the common one
  double noise = 0;         // share of what they scatter by that is noise, the rest being the shape
  double surroundings = 1;  // static gradients around it over what is expected there, 1 and more;
                            // the second of eight sectors: an edge that stands still has two
};
SpeckSupport support_of(const StaticGradient& field, const Speck& speck);

// Subtracts the speck, given in px of a field `scale` times as fine, from the field.
void take_out(StaticGradient& field, const Speck& speck, double scale);

// Transmission (1 = clear), CV_32FC1, its middle pixel at the rounded centre: the fitted shape
// where the field is uncertain (its weights over the square of the scatter), what the field shows
// where it is not. `speck` in px of the field, which still holds it.
cv::Mat transmission_of(const StaticGradient& field, const Speck& speck);

}  // namespace trunnion::survey
