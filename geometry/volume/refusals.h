// SPDX-License-Identifier: GPL-3.0-or-later
// What the readers of all formats refuse alike. For geometry/volume only.
#pragma once

#include <cstddef>
#include <optional>
#include <string>
#include <vector>

#include <tl/expected.hpp>

#include "geometry/volume/unpack.h"
#include "geometry/volume/volume.h"

namespace withy {

/// What can't be read.
tl::unexpected<VolumeRefusal> unreadable(std::string problem, std::string remedy);

/// A volume has three axes, further ones of one voxel left out, and one value a voxel.
std::optional<VolumeRefusal> not_three_axes(const std::vector<double>& sizes, std::size_t values);

/// Voxels that this machine has no memory for.
std::optional<VolumeRefusal> too_large(const std::vector<double>& sizes);

/// A distance between voxels, or a length of an axis' step, in mm.
bool is_spacing(double mm);
/// A coordinate of a place, in mm.
bool is_place(double mm);

/// `whose` voxels are fewer bytes than they have to be, or more: "the file", or a file's name.
std::optional<VolumeRefusal> wrong_count(const std::string& whose, double held, double meant);

/// Of packed voxels so many bytes are unpacked, where `meant` should come out: more than that, so that the
/// check sum tells what is damaged from what has other sizes, and not without end.
double most_unpacked(double meant);

/// How unpacking ended, where that is a fault.
std::optional<VolumeRefusal> wrong_packing(const std::string& whose, const Unpacked& unpacked);

}  // namespace withy
