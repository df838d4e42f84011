# SPDX-License-Identifier: GPL-3.0-or-later
# cmake -D ROOMS=FILE -D SOURCE=FOLDER -P check-rooms.cmake
# Fails where a file of a room includes a file of a room that it does not name. ROOMS has a line for each room:
# "FOLDER: FOLDERS it may include".
cmake_minimum_required(VERSION 3.25)

file(STRINGS "${ROOMS}" rooms)
set(faults "")
foreach(room ${rooms})
  string(REGEX MATCH "^([^:]+):(.*)$" matched "${room}")
  set(folder "${CMAKE_MATCH_1}")
  string(REPLACE " " ";" allowed "${CMAKE_MATCH_2}")
  list(APPEND allowed "${folder}")
  file(GLOB files "${SOURCE}/${folder}/*.h" "${SOURCE}/${folder}/*.cpp")
  foreach(file ${files})
    file(STRINGS "${file}" includes REGEX "^#include \"(geometry|planner|tools)/")
    foreach(include ${includes})
      string(REGEX REPLACE "^#include \"([^\"]*)/[^/\"]*\".*$" "\\1" included "${include}")
      if(NOT included IN_LIST allowed)
        file(RELATIVE_PATH name "${SOURCE}" "${file}")
        string(APPEND faults "\n  ${name} includes ${included}, which ${folder} does not name")
      endif()
    endforeach()
  endforeach()
endforeach()
if(faults)
  message(FATAL_ERROR "Includes against the order of rooms:${faults}")
endif()
