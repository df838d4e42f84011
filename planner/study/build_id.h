// SPDX-License-Identifier: GPL-3.0-or-later
// Which build of withy this is: two builds of one version may answer differently.
#pragma once

#include <string>

namespace withy {

/// The linker's build id of the running program in hexadecimal digits (the note NT_GNU_BUILD_ID of its ELF
/// file); the SHA-256 of the program's file where it was linked without one.
std::string build_id();

}  // namespace withy
