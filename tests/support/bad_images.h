// Hand-made images that are broken, hostile or of a kind that is not taken: each with the extension
// it goes by. Made from the file formats' published structure (TIFF 6.0; PNG, ISO/IEC 15948; JPEG,
// ITU-T T.81; BigTIFF as libtiff documents it).
#pragma once

#include <string>
#include <vector>

namespace trunnion::test {

struct BadImage {
  std::string name;       // of the case, and of the file before its extension
  std::string extension;  // ".tif", ".png" or ".jpg"
  std::string bytes;
};

// Width and height are those of the set that the image is put into.
std::vector<BadImage> bad_images(int width, int height);

}  // namespace trunnion::test
