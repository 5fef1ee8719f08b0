#include "pipeline/network_folder.h"

#include <sys/vfs.h>

#include <algorithm>
#include <array>

namespace trunnion {

bool is_network_file_system(std::uint64_t magic) {
  // statfs(2) and the sources of each file system; FUSE may be one, as sshfs is.
  constexpr std::array<std::uint64_t, 12> kNetwork{
      0x6969,      // NFS
      0x517B,      // SMB
      0xFF534D42,  // CIFS
      0xFE534D42,  // SMB2
      0x5346414F,  // AFS
      0x00C36400,  // Ceph
      0x01021997,  // 9P
      0x65735546,  // FUSE
      0x0BD00BD0,  // Lustre
      0x47504653,  // GPFS
      0x19830326,  // BeeGFS
      0x7461636F,  // OCFS2
  };
  return std::find(kNetwork.begin(), kNetwork.end(), magic) != kNetwork.end();
}

bool on_network(const std::filesystem::path& folder) {
  struct statfs status {};
  if (::statfs(folder.c_str(), &status) != 0) return false;
  // The field is signed and of 32 bits on some systems.
  return is_network_file_system(static_cast<std::uint32_t>(status.f_type));
}

}  // namespace trunnion
