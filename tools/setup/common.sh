# SPDX-License-Identifier: GPL-3.0-or-later
# shellcheck shell=bash
# Sourced by first-run and run-tests, from the root of the tree.

say() { printf '\n== %s\n' "$*"; }

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

# Installs what is missing of the packages listed in the given files; touches nothing when nothing is.
install_packages() {
  local package missing=()
  while read -r package; do
    [[ $(dpkg-query -W -f='${db:Status-Status}' "$package" 2>/dev/null) == installed ]] || missing+=("$package")
  done < <(sed -e 's/#.*//' -e '/^[[:space:]]*$/d' "$@")
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

# How many compilers run side by side: one per core, but no more than memory holds. A file that uses CGAL takes 1.7 GB.
build_jobs() {
  local cores memory_kb by_memory
  cores=$(nproc)
  memory_kb=$(awk '/^MemAvailable:/ { print $2 }' /proc/meminfo)
  by_memory=$((memory_kb / 2000000))
  if [[ $by_memory -lt 1 ]]; then
    by_memory=1
  fi
  echo $((cores < by_memory ? cores : by_memory))
}
