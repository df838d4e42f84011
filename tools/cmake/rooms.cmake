# SPDX-License-Identifier: GPL-3.0-or-later
# A room is a folder with one subject, and one library. It says which other rooms it may include; an include of any other room
# fails the configuration, and the test `rooms` besides (check-rooms.cmake).
set(WITHY_ROOMS_FILE "${PROJECT_BINARY_DIR}/rooms.txt" CACHE INTERNAL "Each room's folder and the folders that it may include")
file(WRITE "${WITHY_ROOMS_FILE}" "")

# Off by default: whoever changes a header of the model would compile all rooms above it anew, and ccache would know none of them. The
# set-up commands switch it on.
option(WITHY_PRECOMPILE "Compile with precompiled headers, for a clean build in less time" OFF)

# Off by default as well: a missing include shows only where each file is compiled by itself, and whoever changes one file of a room
# would compile them all.
option(WITHY_UNITY "Compile the files of a room together, for a clean build in less time" OFF)

# What most files include: other libraries' headers, and for rooms above planner/plan the scene and the plan as well.
set(WITHY_COMMON_HEADERS
    <algorithm> <array> <bitset> <cmath> <functional> <map> <memory> <optional> <set> <span> <string> <string_view> <unordered_map> <vector>
    <Eigen/Core> <Eigen/Geometry> <fmt/core.h> <fmt/format.h> <tl/expected.hpp>)
set(WITHY_MODEL_HEADERS "${PROJECT_SOURCE_DIR}/planner/plan/answer.h" "${PROJECT_SOURCE_DIR}/planner/scene/scene.h")

# withy_precompile(TARGET ROOMS LIBRARIES [LIGHT])
#   gcc wants a header precompiled with the very flags that it is used with, so there is one for each set of flags that occurs: with
#   and without CGAL's -frounding-math, LIGHT or not.
function(withy_precompile target rooms libraries light)
  if(NOT WITHY_PRECOMPILE)
    return()
  endif()
  set(kind withy_precompiled)
  set(headers ${WITHY_COMMON_HEADERS})
  if(withy_plan IN_LIST rooms)
    string(APPEND kind _model)
    list(APPEND headers ${WITHY_MODEL_HEADERS})
  endif()
  if(light)
    string(APPEND kind _light)
  endif()
  if(CGAL::CGAL IN_LIST libraries)
    string(APPEND kind _rounding)
  endif()
  if(NOT TARGET ${kind})
    file(CONFIGURE OUTPUT "${PROJECT_BINARY_DIR}/precompiled.cpp" CONTENT "// Only its precompiled header is wanted.\n")
    add_library(${kind} OBJECT "${PROJECT_BINARY_DIR}/precompiled.cpp")
    target_link_libraries(${kind} PRIVATE withy_options)
    if(CGAL::CGAL IN_LIST libraries)
      target_link_libraries(${kind} PRIVATE CGAL::CGAL)
    endif()
    if(withy_plan IN_LIST rooms)
      target_link_libraries(${kind} PRIVATE withy_plan)
    endif()
    if(light)
      target_compile_options(${kind} PRIVATE "$<$<CONFIG:Release>:-O1>")
    endif()
    target_precompile_headers(${kind} PRIVATE ${headers})
  endif()
  target_precompile_headers(${target} REUSE_FROM ${kind})
endfunction()

# withy_unity(TARGET)
#   All files of one room are one for the compiler: what they include is read once, and what they instantiate of it is made once. So
#   no two files of a room may give the same name to things of their own.
function(withy_unity target)
  if(WITHY_UNITY)
    set_target_properties(${target} PROPERTIES UNITY_BUILD ON UNITY_BUILD_MODE BATCH UNITY_BUILD_BATCH_SIZE 0)
    # gcc takes each of the files for a header then, whose types should not be made of a file's own.
    target_compile_options(${target} PRIVATE $<$<CXX_COMPILER_ID:GNU>:-Wno-subobject-linkage>)
  endif()
endfunction()

# withy_room(TARGET USES ROOMS... [LINK LIBRARIES...] [LINK_PRIVATE LIBRARIES...] [LIGHT])
#   The room of this target is the folder that the call stands for: FOLDER, seen from the top of the project.
#   USES names the targets of rooms declared before, so no circle of rooms can be written.
#   LIGHT: nothing that takes long is worked out here, so release builds compile it with -O1. That changes no result: no
#   optimisation level allows other arithmetic.
function(withy_room target)
  cmake_parse_arguments(ARG "LIGHT" "FOLDER" "USES;LINK;LINK_PRIVATE" ${ARGN})
  file(GLOB sources CONFIGURE_DEPENDS "${PROJECT_SOURCE_DIR}/${ARG_FOLDER}/*.cpp")
  add_library(${target} STATIC ${sources})
  target_link_libraries(${target} PUBLIC withy_options ${ARG_USES} ${ARG_LINK} PRIVATE ${ARG_LINK_PRIVATE})

  if(ARG_LIGHT)
    target_compile_options(${target} PRIVATE "$<$<CONFIG:Release>:-O1>")
  endif()
  withy_unity(${target})
  withy_precompile(${target} "${ARG_USES}" "${ARG_LINK};${ARG_LINK_PRIVATE}" "${ARG_LIGHT}")

  # Loops that are built twice: once for any machine, once for AVX2, chosen at run time (geometry/distance/lanes.h).
  if(CMAKE_SYSTEM_PROCESSOR MATCHES "x86_64|AMD64")
    set(for_avx2 ${sources})
    list(FILTER for_avx2 INCLUDE REGEX "_avx2\\.cpp$")
    if(for_avx2)
      set_source_files_properties(${for_avx2} PROPERTIES COMPILE_OPTIONS "-mavx2;-mfma" SKIP_PRECOMPILE_HEADERS ON SKIP_UNITY_BUILD_INCLUSION ON)
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
