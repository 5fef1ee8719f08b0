// Annotate: what the written image says about itself. Carries the source's metadata under one
// policy, adds the calibrated camera, the pose and the history, and writes it into the finished
// temporary copy of an image.
//
// EXIF (CIPA DC-008, Exif 2.32). The written image is that of an ideal pinhole camera, so
//   FocalLength            c = fx * pitch, the principal distance, mm
//   FocalPlaneXResolution  fx / c, FocalPlaneYResolution fy / c, in pixels a centimetre
//   FocalLengthIn35mmFilm  c * 43.2666 / diagonal of the image on the sensor (an integer by the
//                          standard: written only where rounding changes it by at most 0.1 %)
// A reader that computes pixels from any of them finds fx and fy. With keep_lens_focal_length the
// lens's own focal length stands in place of c. A telecentric camera has no principal distance:
// FocalLength is then the lens's own and the 35 mm value is left out.
//
// What is kept (docs/formats.md has it as a table): everything stays as it is, except
//   what describes the old pixels or their storage (sizes, strips, colour coding, orientation,
//   previews, thumbnails), which is renewed or removed;
//   what trunnion determines itself (the tags above, CompositeImage, ImageUniqueID, Software);
//   what the file type can't hold, which goes to the sidecar or is reported as refused.
// Each change is a finding; nothing is lost without a message.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "config/settings.h"
#include "config/setup.h"
#include "core/files.h"
#include "core/finding.h"
#include "core/metadata.h"
#include "core/scene.h"

namespace trunnion::annotate {

struct AnnotationInput {
  FileType type = FileType::tiff;
  int channels = 3;
  int bits = 8;
  const Metadata* frame = nullptr;   // of a single frame of the series; fills what the fused lacks
  std::string frame_file;            // its name, for the report
  std::string source_hash;           // of the fused file; makes ImageUniqueID
  int frames = 0;                    // fused into the image; 0: unknown
  std::vector<std::string> history;  // one line a step, "repair: 3 spots filled"
  std::string thumbnail_jpeg;        // of the new pixels; used where the source had a thumbnail
};

struct Annotation {
  FileType type = FileType::tiff;
  Metadata metadata;                   // to embed
  std::optional<std::string> sidecar;  // text of the sidecar where one is wanted or needed
  Findings findings;                   // what was changed or refused, and why
};

Annotation make_annotation(const Scene& scene, std::size_t view, const Setup& setup,
                           const Metadata& source, const OutputSettings& output,
                           const AnnotationInput& input);

// Edits the metadata of a temporary copy whose pixels are complete, reads it back, and returns what
// the file could not hold. Throws a data error where the file can't be written.
Findings annotate(const fs::path& temporary_image_file, const Annotation& annotation);

// images/NAME.tif -> images/NAME.xmp; written atomically where the annotation has a sidecar.
std::optional<fs::path> write_sidecar(const fs::path& final_image_file,
                                      const Annotation& annotation);

// Marked f-number and magnification to the f-number at work: N T (1 + m0 / p), with the converter's
// factor T and the magnification m0 without it; objectives m / (2 NA). 0 where unknown.
double effective_f_number(const Setup& setup);

// True where an Exif tag of this group describes the storage of the pixels in their file.
bool describes_storage(const std::string& group, std::uint16_t tag);

}  // namespace trunnion::annotate
