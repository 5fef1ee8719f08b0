# Read by cpack before each package: the time that files in packages have, and the packages that
# libtrunnion-dev depends on, which are those that own the files it was built with.
execute_process(
  COMMAND dpkg-parsechangelog -l ${CPACK_TRUNNION_PACKAGING}/changelog -S Timestamp
  OUTPUT_VARIABLE epoch OUTPUT_STRIP_TRAILING_WHITESPACE COMMAND_ERROR_IS_FATAL ANY)
set(ENV{SOURCE_DATE_EPOCH} ${epoch})

execute_process(COMMAND dpkg-query -S ${CPACK_TRUNNION_DEV_FILES}
                OUTPUT_VARIABLE owners COMMAND_ERROR_IS_FATAL ANY)
string(REGEX REPLACE "(:[a-z0-9]+)?: [^\n]*\n" ";" owners "${owners}")
list(REMOVE_ITEM owners "")
list(REMOVE_DUPLICATES owners)
list(SORT owners)
list(JOIN owners ", " CPACK_DEBIAN_LIBTRUNNION_PACKAGE_DEPENDS)
