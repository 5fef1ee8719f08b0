# The library: find_package(trunnion) gives trunnion::trunnion, all of it, and a target a stage
# (trunnion::undistort), besides trunnion::core and trunnion::config. Public are the headers of
# core/ and config/ and each stage's stages/NAME/NAME.h with what that includes of its room; they
# are installed below include/trunnion and included as in the tree, <trunnion/core/camera.h>.
include(CMakePackageConfigHelpers)
set(package_dir ${CMAKE_INSTALL_LIBDIR}/cmake/trunnion)
set(header_dir ${CMAKE_INSTALL_INCLUDEDIR}/trunnion)

# The headers of a room that its public header reaches, itself first.
function(trunnion_public_headers header out)
  set(found ${header})
  set(open ${header})
  while(open)
    list(POP_FRONT open each)
    file(STRINGS ${CMAKE_SOURCE_DIR}/${each} lines REGEX "^#include \"stages/")
    foreach(line ${lines})
      string(REGEX REPLACE "^#include \"(.*)\".*$" "\\1" inner "${line}")
      if(NOT inner IN_LIST found)
        list(APPEND found ${inner})
        list(APPEND open ${inner})
      endif()
    endforeach()
  endwhile()
  set(${out} ${found} PARENT_SCOPE)
endfunction()

file(GLOB public_headers CONFIGURE_DEPENDS RELATIVE ${CMAKE_SOURCE_DIR} core/*.h config/*.h)
set(libraries trunnion_core trunnion_config trunnion_report_page trunnion_stages)
foreach(room ${rooms})
  if(IS_DIRECTORY ${room})
    get_filename_component(stage ${room} NAME)
    trunnion_public_headers(stages/${stage}/${stage}.h of_room)
    list(APPEND public_headers ${of_room})
    list(APPEND libraries trunnion_${stage})
  endif()
endforeach()
set_property(GLOBAL PROPERTY TRUNNION_PUBLIC_HEADERS ${public_headers})

foreach(library ${libraries})
  string(REGEX REPLACE "^trunnion_" "" name ${library})
  set_target_properties(${library} PROPERTIES EXPORT_NAME ${name})
endforeach()
set_target_properties(trunnion_stages PROPERTIES EXPORT_NAME trunnion)
# What is in place of the source tree for those who link the installed library.
target_include_directories(trunnion_core INTERFACE
  $<INSTALL_INTERFACE:${CMAKE_INSTALL_INCLUDEDIR}> $<INSTALL_INTERFACE:${header_dir}>)
install(TARGETS ${libraries} EXPORT trunnion DESTINATION ${CMAKE_INSTALL_LIBDIR}
        COMPONENT libtrunnion)
install(EXPORT trunnion NAMESPACE trunnion:: FILE trunnion-targets.cmake
        DESTINATION ${package_dir} COMPONENT libtrunnion)
foreach(header ${public_headers})
  get_filename_component(folder ${header} DIRECTORY)
  install(FILES ${header} DESTINATION ${header_dir}/${folder} COMPONENT libtrunnion)
endforeach()

configure_package_config_file(docs/packaging/trunnion-config.cmake.in
  ${CMAKE_BINARY_DIR}/trunnion-config.cmake INSTALL_DESTINATION ${package_dir})
write_basic_package_version_file(${CMAKE_BINARY_DIR}/trunnion-config-version.cmake
  COMPATIBILITY SameMinorVersion)
install(FILES ${CMAKE_BINARY_DIR}/trunnion-config.cmake
              ${CMAKE_BINARY_DIR}/trunnion-config-version.cmake
        DESTINATION ${package_dir} COMPONENT libtrunnion)
