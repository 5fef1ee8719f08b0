# The reference of the programming interface, by Doxygen from the public headers, without
# warnings: the target trunnion_api. Installed where it was built.
set(api ${CMAKE_BINARY_DIR}/api)
find_program(DOXYGEN_PROGRAM doxygen)
if(DOXYGEN_PROGRAM)
  list(TRANSFORM public_headers PREPEND ${CMAKE_SOURCE_DIR}/ OUTPUT_VARIABLE api_headers)
  list(JOIN api_headers " " TRUNNION_API_HEADERS)
  configure_file(docs/packaging/Doxyfile.in ${api}/Doxyfile @ONLY)
  add_custom_command(
    OUTPUT ${api}/done
    COMMAND sh ${CMAKE_SOURCE_DIR}/docs/packaging/api_pages.sh ${DOXYGEN_PROGRAM} ${api}
    COMMAND ${CMAKE_COMMAND} -E touch ${api}/done
    DEPENDS ${api_headers} ${api}/Doxyfile ${CMAKE_SOURCE_DIR}/docs/packaging/doxygen_filter.py
            ${CMAKE_SOURCE_DIR}/docs/packaging/api_pages.sh
            ${CMAKE_SOURCE_DIR}/docs/packaging/api_main.dox
    COMMENT "API pages"
    VERBATIM)
  add_custom_target(trunnion_api DEPENDS ${api}/done)
endif()
install(DIRECTORY ${api}/html/ DESTINATION ${CMAKE_INSTALL_DOCDIR}/api COMPONENT doc OPTIONAL)
