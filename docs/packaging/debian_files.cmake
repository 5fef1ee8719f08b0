# Run by cpack when the files of all packages are laid out and before they are packed: adds what
# Debian asks of every package, and gives every file one time and plain permissions.
cmake_policy(VERSION 3.25)
foreach(component ${CPACK_COMPONENTS_ALL})
  string(TOUPPER ${component} upper)
  set(package ${CPACK_DEBIAN_${upper}_PACKAGE_NAME})
  set(root ${CPACK_TEMPORARY_INSTALL_DIRECTORY}/${component})
  set(share ${root}/usr/share)
  file(MAKE_DIRECTORY ${share}/doc/${package})
  configure_file(${CPACK_TRUNNION_PACKAGING}/copyright ${share}/doc/${package}/copyright COPYONLY)
  configure_file(${CPACK_TRUNNION_PACKAGING}/changelog ${share}/doc/${package}/changelog COPYONLY)
  set(to_compress ${share}/doc/${package}/changelog)
  if(component STREQUAL trunnion)
    file(GLOB pages ${share}/man/man1/*.1)
    list(APPEND to_compress ${pages})
    # Debian's place for completions that are not zsh's own.
    file(RENAME ${share}/zsh/site-functions ${share}/zsh/vendor-completions)
  endif()
  execute_process(COMMAND gzip -9nf ${to_compress} COMMAND_ERROR_IS_FATAL ANY)
  execute_process(COMMAND chmod -R u=rwX,go=rX ${root} COMMAND_ERROR_IS_FATAL ANY)
  execute_process(COMMAND find ${root} -exec touch -hd @$ENV{SOURCE_DATE_EPOCH} {} +
                  COMMAND_ERROR_IS_FATAL ANY)
endforeach()
