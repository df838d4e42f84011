// SPDX-License-Identifier: GPL-3.0-or-later
// NIfTI-1 and NIfTI-2 in one file, packed by gzip or not (nifti1.h and nifti2.h: R. W. Cox and others, "A
// (sort of) new ANALYZE-style format", 2004).
//
// The file is held against its header, byte for byte. For its reader a copy in memory is made, which is
// unpacked and has a plain header: NIfTI-1, three dimensions, mm, one placement. Of a header's placements the
// sform is taken, x = S (i, j, k, 1); without one the qform, x = R (dx i, dy j, qfac dz k) + q with R of the
// quaternion (sqrt(1 - b² - c² - d²), b, c, d); without either x = (dx i, dy j, dz k).
//
// Units: mm. Frame: left, posterior, superior; NIfTI's own is right, anterior, superior.
#pragma once

#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include <Eigen/Core>
#include <tl/expected.hpp>

#include "geometry/volume/memory_file.h"
#include "geometry/volume/volume.h"

namespace withy {

struct NiftiFile {
  std::optional<MemoryFile> copy;     ///< left out: its reader may have the file itself
  Eigen::Matrix<double, 3, 4> place;  ///< from a voxel's index (i, j, k, 1) to its centre, mm
};

/// `done` gets what was taken of what the header leaves open.
tl::expected<NiftiFile, VolumeRefusal> read_nifti(const std::filesystem::path& file,
                                                  std::vector<std::string>& done);

}  // namespace withy
