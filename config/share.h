// The folder of the files that come with trunnion: presets/, templates/ and schemas/. It is found
// from where the running program stands, so that an installed tree may be moved; a program of
// somebody else that links the library is given the folder that trunnion was configured to be
// installed to.
#pragma once

#include <filesystem>

namespace trunnion {

// Absolute; may be missing where trunnion's files are not installed.
std::filesystem::path share_folder();

}  // namespace trunnion
