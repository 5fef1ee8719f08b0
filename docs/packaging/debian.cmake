# Debian packages: trunnion, libtrunnion-dev, trunnion-doc; `bash docs/packaging/build.sh` makes
# them. The same sources give the same bytes: file times are those of the changelog beside this.
set(CPACK_GENERATOR DEB)
set(CPACK_PACKAGE_NAME trunnion)
set(CPACK_PACKAGE_CONTACT "trunnion developers <dev@trunnion.invalid>")
set(CPACK_PACKAGING_INSTALL_PREFIX /usr)
set(CPACK_PACKAGE_DIRECTORY ${CMAKE_BINARY_DIR}/packages)
set(CPACK_COMPONENTS_ALL trunnion libtrunnion doc)
set(CPACK_DEB_COMPONENT_INSTALL ON)
set(CPACK_PACKAGE_DESCRIPTION_SUMMARY "")  # each package has its own
set(CPACK_DEBIAN_FILE_NAME DEB-DEFAULT)
set(CPACK_DEBIAN_COMPRESSION_TYPE xz)
set(CPACK_DEBIAN_PACKAGE_CONTROL_STRICT_PERMISSION ON)
set(CPACK_DEBIAN_PACKAGE_PRIORITY optional)
set(CPACK_STRIP_FILES ON)
set(CPACK_INSTALL_DEFAULT_DIRECTORY_PERMISSIONS
    OWNER_READ OWNER_WRITE OWNER_EXECUTE GROUP_READ GROUP_EXECUTE WORLD_READ WORLD_EXECUTE)

set(CPACK_DEBIAN_TRUNNION_PACKAGE_NAME trunnion)
set(CPACK_DEBIAN_TRUNNION_PACKAGE_SECTION science)
set(CPACK_DEBIAN_TRUNNION_PACKAGE_SHLIBDEPS ON)
set(CPACK_DEBIAN_TRUNNION_PACKAGE_SUGGESTS trunnion-doc)
set(CPACK_DEBIAN_TRUNNION_DESCRIPTION
"posed, masked image sets of small specimens on a turntable
trunnion plans the capture of a small specimen on a rotary stage, calibrates
the lens and the rotation axis, and turns the fused images into a clean set:
dust repaired, backdrop masked, distortion removed, every camera pose in
millimetres with its uncertainty, in open formats.
.
It drives no camera and no stage, develops no raw files, fuses no focus series
and reconstructs no surface.")

set(CPACK_DEBIAN_LIBTRUNNION_PACKAGE_NAME libtrunnion-dev)
set(CPACK_DEBIAN_LIBTRUNNION_PACKAGE_SECTION libdevel)
set(CPACK_DEBIAN_LIBTRUNNION_PACKAGE_SUGGESTS "trunnion-doc, cmake")
set(CPACK_DEBIAN_LIBTRUNNION_DESCRIPTION
"posed, masked image sets of small specimens - development files
Headers, static libraries and the CMake package of trunnion: each stage of the
preparation of a turntable image set is a function of values that another
program may call.")

set(CPACK_DEBIAN_DOC_PACKAGE_NAME trunnion-doc)
set(CPACK_DEBIAN_DOC_PACKAGE_SECTION doc)
set(CPACK_DEBIAN_DOC_PACKAGE_ARCHITECTURE all)
set(CPACK_DEBIAN_DOC_DESCRIPTION
"posed, masked image sets of small specimens - documentation
The pages for users of trunnion, the examples of its library and the reference
of its programming interface.")

# For the scripts that cpack runs.
set(CPACK_PROJECT_CONFIG_FILE ${CMAKE_SOURCE_DIR}/docs/packaging/cpack_config.cmake)
set(CPACK_PRE_BUILD_SCRIPTS ${CMAKE_SOURCE_DIR}/docs/packaging/debian_files.cmake)
set(CPACK_TRUNNION_PACKAGING ${CMAKE_SOURCE_DIR}/docs/packaging)
# A file of each library that those who link libtrunnion need: its package is a dependency.
set(CPACK_TRUNNION_DEV_FILES
  ${OpenCV_DIR}/OpenCVConfig.cmake ${Eigen3_DIR}/Eigen3Config.cmake ${Ceres_DIR}/CeresConfig.cmake
  ${exiv2_DIR}/exiv2Config.cmake ${TBB_DIR}/TBBConfig.cmake ${fmt_DIR}/fmt-config.cmake
  ${nlohmann_json_DIR}/nlohmann_jsonConfig.cmake
  ${tomlplusplus_DIR}/tomlplusplusConfig.cmake
  ${TIFF_LIBRARY_RELEASE} ${PNG_LIBRARY_RELEASE} ${JPEG_LIBRARY_RELEASE} ${ZLIB_LIBRARY_RELEASE}
  ${XXHASH_LIBRARY} ${OPENVDB_LIBRARY})
include(CPack)
