# What `cmake --install` leaves: the program, the libraries with the headers others may include, and the package
# file that find_package(cohlink) reads. The study engine serves our own programs and stays inside.
include(GNUInstallDirs)
include(CMakePackageConfigHelpers)

# The public headers. What they include comes along; every other header is private and may change.
set(cohlink_public_headers
  sim/link.h
  sim/signal/constellation.h
  sim/signal/record/capture.h
  sim/signal/record/trace.h
  sim/signal/units.h
  sim/signal/version.h
  rx/receiver.h
  rx/recording/long_capture.h)

# Adds `header` and all headers of ours that it includes to the list `found`.
function(cohlink_collect_headers header found)
  if(header IN_LIST ${found})
    return()
  endif()
  list(APPEND ${found} ${header})
  file(STRINGS ${PROJECT_SOURCE_DIR}/${header} lines REGEX "^#include \"")
  foreach(line IN LISTS lines)
    string(REGEX REPLACE "^#include \"([^\"]+)\".*" "\\1" included "${line}")
    cohlink_collect_headers(${included} ${found})
  endforeach()
  set(${found} ${${found}} PARENT_SCOPE)
endfunction()

foreach(header IN LISTS cohlink_public_headers)
  cohlink_collect_headers(${header} installed_headers)
endforeach()
foreach(header IN LISTS installed_headers)
  get_filename_component(folder ${header} DIRECTORY)
  install(FILES ${PROJECT_SOURCE_DIR}/${header} DESTINATION ${CMAKE_INSTALL_INCLUDEDIR}/cohlink/${folder})
endforeach()

foreach(library signal sim fec rx)
  set_target_properties(cohlink_${library} PROPERTIES EXPORT_NAME ${library})
  target_compile_features(cohlink_${library} INTERFACE cxx_std_20)
  target_include_directories(cohlink_${library} INTERFACE $<INSTALL_INTERFACE:${CMAKE_INSTALL_INCLUDEDIR}/cohlink>)
endforeach()
install(TARGETS cohlink_signal cohlink_sim cohlink_fec cohlink_rx cohlink_flags EXPORT cohlink
  ARCHIVE DESTINATION ${CMAKE_INSTALL_LIBDIR} LIBRARY DESTINATION ${CMAKE_INSTALL_LIBDIR})
install(TARGETS cohlink RUNTIME DESTINATION ${CMAKE_INSTALL_BINDIR})
install(DIRECTORY ${PROJECT_SOURCE_DIR}/scenarios DESTINATION ${CMAKE_INSTALL_DATADIR}/cohlink)

set(package_folder ${CMAKE_INSTALL_LIBDIR}/cmake/cohlink)
install(EXPORT cohlink NAMESPACE cohlink:: FILE cohlink-targets.cmake DESTINATION ${package_folder})
configure_package_config_file(${CMAKE_CURRENT_LIST_DIR}/cohlink-config.cmake.in
  ${PROJECT_BINARY_DIR}/cohlink-config.cmake INSTALL_DESTINATION ${package_folder})
write_basic_package_version_file(${PROJECT_BINARY_DIR}/cohlink-config-version.cmake COMPATIBILITY SameMinorVersion)
install(FILES ${PROJECT_BINARY_DIR}/cohlink-config.cmake ${PROJECT_BINARY_DIR}/cohlink-config-version.cmake
  DESTINATION ${package_folder})
