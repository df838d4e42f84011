# SPDX-License-Identifier: GPL-3.0-or-later
# shellcheck shell=bash
# Sourced by first-run and run-tests, from the root of the tree.

# Processor time of a clean build of the target withy, without ccache, on an AMD EPYC; see "Build time" in DEVELOPERS.md.
build_processor_seconds=490

# "3 min 20 s", "45 s".
duration() {
  if [[ $1 -lt 60 ]]; then
    echo "$1 s"
  else
    echo "$(($1 / 60)) min $(($1 % 60)) s"
  fi
}

# Starts a step, and says how long the one before took.
say() {
  end_step
  printf '\n== %s\n' "$*"
  step_started=$SECONDS
}

# Says how long the step took that say started last.
end_step() {
  if [[ -n ${step_started:-} ]]; then
    echo "-- took $(duration $((SECONDS - step_started)))"
  fi
  step_started=
}

# Runs a command as root, with sudo where this shell is not root.
as_root() {
  if [[ $(id -u) -eq 0 ]]; then
    "$@"
  elif command -v sudo >/dev/null; then
    sudo "$@"
  else
    echo "Installing packages needs root: run this as root, or install sudo." >&2
    return 1
  fi
}

# The packages listed in the given files that are not installed, one a line.
missing_packages() {
  local package
  while read -r package; do
    [[ $(dpkg-query -W -f='${db:Status-Status}' "$package" 2>/dev/null) == installed ]] || echo "$package"
  done < <(sed -e 's/#.*//' -e '/^[[:space:]]*$/d' "$@")
}

# Installs what is missing of the packages listed in the given files; touches nothing when nothing is.
install_packages() {
  local missing
  mapfile -t missing < <(missing_packages "$@")
  if [[ ${#missing[@]} -eq 0 ]]; then
    return
  fi
  say "Installing ${missing[*]}"
  as_root apt-get update -qq
  as_root env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends "${missing[@]}"
}

# node and npm bundle the page. Where they can't be had the program is built without it, and says so.
install_page_packages() {
  if command -v node >/dev/null && command -v npm >/dev/null; then
    return
  fi
  install_packages tools/setup/packages.page || say "Going on without node and npm: withy will have no page"
}

# How many compilers run side by side: one per core, but no more than memory holds. A room takes up to 1.8 GB to compile, and one at a
# time of two (geometry/CMakeLists.txt) close to 4 GB.
build_jobs() {
  local cores memory_kb by_memory
  cores=$(nproc)
  memory_kb=$(awk '/^MemAvailable:/ { print $2 }' /proc/meminfo)
  by_memory=$(((memory_kb - 2000000) / 1800000))
  if [[ $by_memory -lt 1 ]]; then
    by_memory=1
  fi
  echo $((cores < by_memory ? cores : by_memory))
}

# configure_build FOLDER ON|OFF: lays out a build, with or without tests and benchmarks. Both commands compile with the same flags,
# so that run-tests takes up what first-run compiled: warnings are errors in both, each room's files are compiled as one.
configure_build() {
  cmake -S . -B "$1" -G Ninja -DCMAKE_BUILD_TYPE=Release -DWITHY_WARNINGS_AS_ERRORS=ON -DWITHY_UNITY=ON \
    "-DWITHY_BUILD_TESTS=$2" "-DWITHY_BUILD_BENCH=$2"
}

# How much of the target withy is yet to be compiled, as "STEPS ALL"; "1 1" where that can't be told before CMake has run.
steps_to_compile() {
  local steps all
  if [[ -f build/build.ninja ]] && command -v ninja >/dev/null && steps=$(ninja -C build -n withy) &&
    [[ $steps != *Re-running* ]]; then
    all=$(ninja -C build -t commands withy | grep -c ' -c ')
    echo "$(grep -c 'Building CXX object' <<<"$steps" || true) $all"
  else
    echo "1 1"
  fi
}

# Says what first-run is about to do and how long that should take.
say_how_long() {
  local packages steps all seconds jobs
  packages=$(missing_packages tools/setup/packages.build | wc -l)
  read -r steps all < <(steps_to_compile)
  jobs=$(build_jobs)
  seconds=$((build_processor_seconds * steps / all))
  say "What this will take"
  if [[ $packages -gt 0 ]]; then
    echo "$packages packages to install: some minutes, as the network allows"
  fi
  if [[ $steps -gt 0 ]]; then
    echo "compiling: $(duration $seconds) of processor time, about $(duration $((seconds / jobs))) with $jobs at a time"
  fi
  echo "a plan: some seconds"
}
