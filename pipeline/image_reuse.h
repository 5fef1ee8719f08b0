// Whether an image's pixels must be made again.
#pragma once

#include <string>

#include "pipeline/image_pass.h"

namespace trunnion {

inline constexpr const char* kImageStep = "image";  // of the journal

// Hash of all that the pixels of an image depend on.
std::string pixel_fingerprint(const ImageItem& item, const ImagePass& pass);

// Takes the result of this fingerprint from the journal; false where there is none or the pixels
// or the mask are gone or changed.
bool reuse(ImageItem& item, const ImagePass& pass);

}  // namespace trunnion
