// SPDX-License-Identifier: GPL-3.0-or-later
// What `withy scene` makes a wall of, as functions of bytes: meshes with faces of any number of corners, and
// volumes. Parts of the table in readers.h.
//
// A small mesh is mended as well. A volume's bytes are its one file, or one slice of a folder of three.
#pragma once

#include <vector>

#include "tests/fuzz/readers.h"

namespace withy_test {

std::vector<FuzzReader> wall_readers();

}  // namespace withy_test
