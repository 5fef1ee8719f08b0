// Verify: reads back everything a run wrote and compares it with the journal and with itself.
//
//   files    every recorded file is there, with its size and hash; what else lies in prepared/
//   images   dimensions, depth and channels; Exif and XMP of each image, and of its sidecar where
//            it has one, against its view in cameras.json
//   formats  the poses and intrinsics of every format against cameras.json, as the largest
//            displacement (px) of points about the specimen when projected from each alone
//   texts    what the user's templates give for cameras.json against the files written from them
// Nothing is written.
#pragma once

#include <functional>
#include <string>
#include <utility>
#include <vector>

#include "core/files.h"
#include "core/finding.h"
#include "core/manifest.h"
#include "core/scene.h"

namespace trunnion::verify {

// What the user's templates give for a scene: file name in prepared/ and content.
using TextRenderer = std::function<std::vector<std::pair<std::string, std::string>>(const Scene&)>;

struct VerifyOptions {
  double text_px = 0.001;  // allowed displacement: formats that hold double precision
  double gltf_px = 0.01;   // glTF: readers hold single precision
  TextRenderer texts;      // empty where there are no templates
};

struct FormatAgreement {
  std::string file;
  double largest_px = 0;
  double allowed_px = 0;
};

struct VerifyResult {
  std::size_t files = 0;     // compared with the journal
  std::uintmax_t bytes = 0;  // of them
  std::size_t images = 0;    // whose metadata were compared
  std::size_t texts = 0;     // files from templates that were compared
  std::vector<FormatAgreement> formats;
  Findings findings;  // a fault for everything that disagrees; empty where all is well
};

VerifyResult verify(const fs::path& workspace, const Manifest& manifest,
                    const VerifyOptions& options = {});

}  // namespace trunnion::verify
