// Text formats of the user's own, from mustache templates (mustache(5), an open template language
// without logic; http://mustache.github.io). docs/formats.md lists the fields.
//
// All fields are converted first, by the template's settings:
//   frame   with S = diag(sx, sy, sz), sy = -1 where y is up, sz = -1 where the camera looks along
//           -z, sx = sy sz (so the frame stays right-handed): R' = S R, t' = S t. A point is seen
//           at u = cx + sx fx x' / (sz z'),  v = cy + sy fy y' / (sz z')
//   pixels  with the corner as origin cx and cy grow by 0.5
//   length  t, centres and their sigmas; telecentric scales inversely
//   angle   stage angles, omega, phi, kappa and their sigmas
// Values are escaped by the extension of the file written: .xml and .html as XML, .json as JSON
// strings, others not at all. A field that does not exist is an error, not an empty text.
#pragma once

#include <string>
#include <utility>
#include <vector>

#include "config/settings.h"
#include "core/scene.h"

namespace trunnion {

// Whether the template prints pose_state. One that doesn't can't mark a contradicted pose, so such
// views are left out of what it gives.
bool template_marks_state(const TemplateSettings& settings);

// Pairs of file name (relative to prepared/) and content.
using TextFiles = std::vector<std::pair<std::string, std::string>>;

// Throws a data error that names the template and the mistake.
TextFiles render_template(const Scene& scene, const TemplateSettings& settings);

// The same from the template's text; `name` stands for it in errors.
TextFiles render_template_text(const Scene& scene, const TemplateSettings& settings,
                               const std::string& text, const std::string& name);

}  // namespace trunnion
