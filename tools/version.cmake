# Writes the version and git hash as a C++ fragment, only when they changed.
execute_process(COMMAND git -C ${SOURCE} describe --always --dirty --abbrev=12
  OUTPUT_VARIABLE hash OUTPUT_STRIP_TRAILING_WHITESPACE ERROR_QUIET RESULT_VARIABLE failed)
if(failed)
  set(hash "unknown")
endif()
file(WRITE ${OUTPUT}.new "\"${VERSION}\", \"${hash}\"\n")
execute_process(COMMAND ${CMAKE_COMMAND} -E copy_if_different ${OUTPUT}.new ${OUTPUT})
