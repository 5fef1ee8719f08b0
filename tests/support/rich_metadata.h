// Metadata with something of every kind, as found in the wild: Exif with odd spaces, a position, an
// opaque maker note, IPTC, XMP with a namespace of its own, a colour profile.
#pragma once

#include "core/metadata.h"

namespace trunnion::test {

Metadata rich_metadata(std::size_t maker_note_bytes = 3000);

}  // namespace trunnion::test
