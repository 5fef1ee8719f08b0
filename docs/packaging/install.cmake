# What `cmake --install` writes, by component:
#   trunnion      the program, its man pages, completions, presets, templates and schemas
#   libtrunnion   headers, static libraries and the CMake package (library.cmake)
#   doc           pages for users, and the API pages where they were built (api.cmake)
# Nothing installed holds a path of the prefix: the tree may be moved.
set(TRUNNION_ZSH_DIR "${CMAKE_INSTALL_DATADIR}/zsh/site-functions" CACHE STRING
    "Where the completion for zsh is installed; Debian's packages keep it in vendor-completions")

# The program finds these from where it stands: in the build folder, too.
foreach(kind presets templates)
  file(MAKE_DIRECTORY ${CMAKE_BINARY_DIR}/share/trunnion)
  file(CREATE_LINK ${CMAKE_SOURCE_DIR}/config/${kind} ${CMAKE_BINARY_DIR}/share/trunnion/${kind}
       SYMBOLIC)
  install(DIRECTORY config/${kind} DESTINATION ${CMAKE_INSTALL_DATADIR}/trunnion
          COMPONENT trunnion)
endforeach()

install(TARGETS trunnion DESTINATION ${CMAKE_INSTALL_BINDIR} COMPONENT trunnion)
# Written by the program itself, from the declarations that --help prints.
set(pages ${CMAKE_BINARY_DIR}/command_docs)
add_custom_command(
  OUTPUT ${pages}/done
  COMMAND ${CMAKE_COMMAND} -E rm -rf ${pages}
  COMMAND trunnion docs ${pages} --quiet
  COMMAND ${CMAKE_COMMAND} -E touch ${pages}/done
  DEPENDS trunnion
  COMMENT "Man pages and completions"
  VERBATIM)
add_custom_target(trunnion_command_docs ALL DEPENDS ${pages}/done)
install(DIRECTORY ${pages}/man/ DESTINATION ${CMAKE_INSTALL_MANDIR}/man1 COMPONENT trunnion)
install(FILES ${pages}/trunnion.bash COMPONENT trunnion RENAME trunnion
        DESTINATION ${CMAKE_INSTALL_DATADIR}/bash-completion/completions)
install(FILES ${pages}/_trunnion COMPONENT trunnion DESTINATION ${TRUNNION_ZSH_DIR})
install(FILES ${pages}/trunnion.fish COMPONENT trunnion
        DESTINATION ${CMAKE_INSTALL_DATADIR}/fish/vendor_completions.d)
file(GLOB schemas CONFIGURE_DEPENDS docs/*.schema.json)
install(FILES ${schemas} DESTINATION ${CMAKE_INSTALL_DATADIR}/trunnion/schemas COMPONENT trunnion)

# As in the source tree, so that the links between the pages hold.
install(FILES README.md CHANGELOG.md DESTINATION ${CMAKE_INSTALL_DOCDIR} COMPONENT doc)
install(DIRECTORY docs DESTINATION ${CMAKE_INSTALL_DOCDIR} COMPONENT doc
        PATTERN packaging EXCLUDE)
install(FILES LICENSE DESTINATION ${CMAKE_INSTALL_DOCDIR} COMPONENT licence)

# The build's facts that --version prints; the commit only where a package is built of it, since
# every commit would build the program again.
set(TRUNNION_COMMIT "" CACHE STRING "Commit that --version names")
set_source_files_properties(pipeline/build_facts.cpp PROPERTIES COMPILE_DEFINITIONS
  "TRUNNION_COMMIT=\"${TRUNNION_COMMIT}\";TRUNNION_COMPILER=\"${CMAKE_CXX_COMPILER_ID} ${CMAKE_CXX_COMPILER_VERSION}\";TRUNNION_BUILD=\"${CMAKE_BUILD_TYPE} for ${CMAKE_SYSTEM_PROCESSOR} ${CMAKE_SYSTEM_NAME}\"")

include(docs/packaging/library.cmake)
include(docs/packaging/api.cmake)
include(docs/packaging/debian.cmake)
