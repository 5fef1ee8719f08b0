// What must be made again of an image, by its fingerprints.
#pragma once

#include <string>
#include <vector>

#include "pipeline/image_steps.h"

namespace trunnion {

// Fills the fingerprints of an item whose input hash is known: of its steps together, and of each
// product on top of that.
void set_fingerprints(ImageItem& item, const SetRun& set);

// The products that are not there. Takes the results of the others, and of the steps, from the
// journal.
std::vector<const ImageProduct*> missing_products(ImageItem& item, const SetRun& set);

// Keeps what the steps found, for missing_products.
void record_result(const ImageItem& item, const SetRun& set);

}  // namespace trunnion
