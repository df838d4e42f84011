# SPDX-License-Identifier: GPL-3.0-or-later
# Bundles the page into a C++ source file:
#   cmake -D SOURCE=tools/page -D WORK=<folder> -D OUT=<file.cpp> -D NPM=<npm> -D NODE=<node> -D DEV=<ON|OFF> -P bundle.cmake
#
# Works in a copy, so that the source tree stays as it is. Without npm or its registry the file says what was missing and
# the build goes on: `withy page` then explains itself, everything else works. It is tried again after the next
# configuration.

# A registry that can't be reached should cost a build seconds, not minutes.
set(npm_patience --fetch-retries=1 --fetch-retry-mintimeout=1000 --fetch-retry-maxtimeout=4000 --fetch-timeout=30000)

function(give_up reason)
  string(REPLACE "\"" "'" reason "${reason}")
  file(WRITE "${OUT}" "// Written by the build: the page could not be bundled.
#include \"planner/show/page_bundle.h\"
namespace withy {
const std::string_view kPageBundle;
const std::string_view kLiveBundle;
const std::string_view kPageBundleFault = \"${reason}\";
}  // namespace withy
")
  file(WRITE "${WORK}/missing" "${reason}\n")
  message(NOTICE "page: ${reason}. withy is built without its page; the rest is complete.")
endfunction()

file(REMOVE "${WORK}/missing")
if(NOT NPM OR NOT NODE)
  give_up("node and npm are not installed")
  return()
endif()

# node_modules is kept from build to build as long as the lock file is the same.
file(SHA256 "${SOURCE}/package-lock.json" lock_hash)
set(installed "")
if(EXISTS "${WORK}/installed")
  file(READ "${WORK}/installed" installed)
endif()
file(COPY "${SOURCE}/" DESTINATION "${WORK}" PATTERN node_modules EXCLUDE)
if(NOT installed STREQUAL "${lock_hash} ${DEV}")
  file(REMOVE "${WORK}/installed")
  set(kinds --omit=dev)
  if(DEV)
    set(kinds "")
  endif()
  # No package of the list needs its install script.
  execute_process(
    COMMAND "${NPM}" ci --ignore-scripts --no-audit --no-fund --prefer-offline --loglevel=error ${npm_patience} ${kinds}
    WORKING_DIRECTORY "${WORK}" RESULT_VARIABLE status OUTPUT_VARIABLE ignored ERROR_VARIABLE words TIMEOUT 300)
  if(NOT status EQUAL 0)
    string(REGEX MATCH "npm [^\n]*code [A-Z0-9_]+" code "${words}")
    string(REGEX MATCH "[A-Z0-9_]+$" code "${code}")
    give_up("npm could not fetch its packages (${code})")
    return()
  endif()
  file(WRITE "${WORK}/installed" "${lock_hash} ${DEV}")
endif()

execute_process(COMMAND "${NODE}" bundle.mjs "${OUT}" WORKING_DIRECTORY "${WORK}" RESULT_VARIABLE status ERROR_VARIABLE words)
if(NOT status EQUAL 0)
  # Not a matter of what is installed: the page's own source is at fault.
  message(FATAL_ERROR "page: ${words}")
endif()
