# SPDX-License-Identifier: GPL-3.0-or-later
# A room is a folder with one subject, and one library. It says which other rooms it may include; an include of any other room
# fails the configuration, and the test `rooms` besides (check-rooms.cmake).
set(WITHY_ROOMS_FILE "${PROJECT_BINARY_DIR}/rooms.txt" CACHE INTERNAL "Each room's folder and the folders that it may include")
file(WRITE "${WITHY_ROOMS_FILE}" "")

# Off by default: a missing include shows only where each file is compiled by itself, and whoever changes one file of a room would
# compile them all. The set-up commands switch it on.
option(WITHY_UNITY "Compile the files of a room together, for a clean build in less time" OFF)
set(WITHY_APART "" CACHE STRING "Files with a line that this regular expression matches are compiled apart even so")

# withy_unity(TARGET)
#   All files of one room are one for the compiler: what they include is read once, and what they instantiate of it is made once. So
#   no two files of a room may give the same name to things of their own.
function(withy_unity target)
  if(WITHY_UNITY)
    set_target_properties(${target} PROPERTIES UNITY_BUILD ON UNITY_BUILD_MODE BATCH UNITY_BUILD_BATCH_SIZE 0)
    # gcc takes each of the files for a header then, whose types should not be made of a file's own.
    target_compile_options(${target} PRIVATE $<$<CXX_COMPILER_ID:GNU>:-Wno-subobject-linkage>)
    withy_apart(${target})
  endif()
endfunction()

# withy_apart(TARGET)
#   Keeps the files that WITHY_APART tells of out of the room's one file.
function(withy_apart target)
  get_target_property(sources ${target} SOURCES)
  list(FILTER sources EXCLUDE REGEX "^\\$<")
  foreach(source ${sources})
    get_filename_component(path "${source}" ABSOLUTE BASE_DIR "${PROJECT_SOURCE_DIR}")
    if(WITHY_APART AND EXISTS "${path}")
      file(STRINGS "${path}" lines REGEX "${WITHY_APART}" LIMIT_COUNT 1)
      if(lines)
        set_source_files_properties("${path}" TARGET_DIRECTORY ${target} PROPERTIES SKIP_UNITY_BUILD_INCLUSION ON)
      endif()
    endif()
  endforeach()
endfunction()

# withy_room(TARGET USES ROOMS... [LINK LIBRARIES...] [LINK_PRIVATE LIBRARIES...] [LIGHT | HOT])
#   The room of this target is the folder that the call stands for: FOLDER, seen from the top of the project.
#   USES names the targets of rooms declared before, so no circle of rooms can be written.
#   Release builds compile a room with -O2. HOT: the search's inner loops, with -O3. LIGHT: nothing that takes long is worked out
#   here, with -O1. That changes no result: no optimisation level allows other arithmetic.
function(withy_room target)
  cmake_parse_arguments(ARG "LIGHT;HOT" "FOLDER" "USES;LINK;LINK_PRIVATE" ${ARGN})
  file(GLOB sources CONFIGURE_DEPENDS "${PROJECT_SOURCE_DIR}/${ARG_FOLDER}/*.cpp")
  add_library(${target} STATIC ${sources})
  target_link_libraries(${target} PUBLIC withy_options ${ARG_USES} ${ARG_LINK} PRIVATE ${ARG_LINK_PRIVATE})

  if(ARG_LIGHT)
    target_compile_options(${target} PRIVATE "$<$<CONFIG:Release>:-O1>")
  elseif(NOT ARG_HOT)
    target_compile_options(${target} PRIVATE "$<$<CONFIG:Release>:-O2>")
  endif()
  withy_unity(${target})

  # Loops that are built twice: once for any machine, once for AVX2, chosen at run time (geometry/distance/lanes.h).
  if(CMAKE_SYSTEM_PROCESSOR MATCHES "x86_64|AMD64")
    set(for_avx2 ${sources})
    list(FILTER for_avx2 INCLUDE REGEX "_avx2\\.cpp$")
    if(for_avx2)
      set_source_files_properties(${for_avx2} PROPERTIES COMPILE_OPTIONS "-mavx2;-mfma" SKIP_UNITY_BUILD_INCLUSION ON)
    endif()
  endif()

  set(line "${ARG_FOLDER}:")
  foreach(used ${ARG_USES})
    if(NOT TARGET ${used})
      message(FATAL_ERROR "${ARG_FOLDER} uses ${used}, which is no room declared before it")
    endif()
    get_target_property(folder ${used} WITHY_FOLDER)
    string(APPEND line " ${folder}")
  endforeach()
  set_target_properties(${target} PROPERTIES WITHY_FOLDER "${ARG_FOLDER}")
  file(APPEND "${WITHY_ROOMS_FILE}" "${line}\n")
endfunction()

# The includes as they stand now; the test `rooms` looks at them again.
function(withy_check_rooms)
  execute_process(COMMAND "${CMAKE_COMMAND}" -D "ROOMS=${WITHY_ROOMS_FILE}" -D "SOURCE=${PROJECT_SOURCE_DIR}"
                          -P "${PROJECT_SOURCE_DIR}/tools/cmake/check-rooms.cmake" COMMAND_ERROR_IS_FATAL ANY)
endfunction()
