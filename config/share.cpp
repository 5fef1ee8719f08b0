#include "config/share.h"

namespace trunnion {

std::filesystem::path share_folder() {
  return TRUNNION_SHARE_DIR;
}

}  // namespace trunnion
