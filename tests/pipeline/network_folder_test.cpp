#include "pipeline/network_folder.h"

#include <gtest/gtest.h>
#include <linux/magic.h>

namespace trunnion {
namespace network_folder_test {

// The numbers as the kernel's own header (linux/magic.h) has them.
TEST(NetworkFolder, FileSystemsAreToldByTheirNumbers) {
  for (const std::uint64_t magic :
       {std::uint64_t{NFS_SUPER_MAGIC}, std::uint64_t{SMB_SUPER_MAGIC},
        std::uint64_t{CIFS_SUPER_MAGIC}, std::uint64_t{SMB2_SUPER_MAGIC},
        std::uint64_t{AFS_SUPER_MAGIC}, std::uint64_t{CEPH_SUPER_MAGIC}, std::uint64_t{V9FS_MAGIC},
        std::uint64_t{FUSE_SUPER_MAGIC}, std::uint64_t{OCFS2_SUPER_MAGIC}}) {
    EXPECT_TRUE(is_network_file_system(magic)) << std::hex << magic;
  }
  for (const std::uint64_t magic :
       {std::uint64_t{EXT4_SUPER_MAGIC}, std::uint64_t{TMPFS_MAGIC}, std::uint64_t{XFS_SUPER_MAGIC},
        std::uint64_t{BTRFS_SUPER_MAGIC}, std::uint64_t{OVERLAYFS_SUPER_MAGIC}}) {
    EXPECT_FALSE(is_network_file_system(magic)) << std::hex << magic;
  }
}

TEST(NetworkFolder, WhatIsNotThereIsOnNone) {
  EXPECT_FALSE(on_network("/nothing/here"));
  EXPECT_FALSE(on_network("/proc"));
}

}  // namespace network_folder_test
}  // namespace trunnion
