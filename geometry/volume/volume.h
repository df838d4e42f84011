// SPDX-License-Identifier: GPL-3.0-or-later
// The surface of a region of a volume image: a CT, an MR, a segmentation.
//
// Volumes are read by ITK 5 (NRRD, NIfTI, MetaImage, or a folder of DICOM slices), with their directions and
// spacings. The region is every voxel of one label, or of a range of values, and of these one connected piece
// (neighbours share a face). Its surface is that of ITK's BinaryMask3DMeshSource, a marching-cubes method (W.
// E. Lorensen and H. E. Cline, "Marching Cubes", Computer Graphics 21(4), 1987): each vertex lies between a
// voxel of the region and one outside. For a label it lies half way, so the surface is within half a voxel of
// the region's true one where the segmentation is right; for a range where the values between the two voxels'
// centres, taken linearly, leave the range.
//
// Where the region leaves the volume, its surface ends: an opening whose rim lies in the outermost voxels'
// centres. Elsewhere it is closed, normals out.
//
// Units: mm. Frame: the file's physical frame as ITK gives it: left, posterior, superior where the format
// says, so that x and y of a NIfTI file, or of a NRRD file in right, anterior, superior, change sign. This
// room is the only user of ITK, and nothing else waits for it to compile.
#pragma once

#include <cstddef>
#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include <Eigen/Core>
#include <Eigen/Geometry>
#include <tl/expected.hpp>

#include "geometry/mesh/mesh.h"

namespace withy {

struct ValueRange {
  double low = 0.0;
  double high = 0.0;
};

/// Which voxels: one of the two is given. A label is the range of one value.
struct VolumeSettings {
  std::optional<double> label;
  std::optional<ValueRange> range;
  std::optional<Eigen::Vector3d> keep_at;  ///< the piece that is nearest to this, mm; left out: the largest
  /// What lies outside is left out, mm: of an oblique volume, what lies outside the least box of its own axes
  /// that holds this one. The surface ends there as it does at the volume's own end.
  std::optional<Eigen::AlignedBox3d> crop;
  std::vector<Eigen::Vector3d> cuts;  ///< points of cuts that come later, mm: in the region
};

/// One of the planes through the outermost voxels' centres.
struct VolumeFace {
  Eigen::Vector3d point = Eigen::Vector3d::Zero();
  Eigen::Vector3d outward = Eigen::Vector3d::UnitZ();  ///< unit
};

struct VolumeSurface {
  TriangleMesh mesh;
  std::vector<std::string> done;  ///< what was read and taken, a sentence each
  std::vector<VolumeFace> faces;  ///< of the volume, or of what a crop left of it
  bool oblique = false;           ///< its axes do not run along x, y and z
};

enum class VolumeFault {
  unreadable,      ///< no such file, none of its format, or not what its header says
  not_a_volume,    ///< fewer or more than three dimensions, or several values a voxel
  missing_slices,  ///< of a series, or slices that are not evenly spaced
  nothing_chosen,  ///< neither label nor range
  empty_region,    ///< no voxel has such a value
  too_rough,       ///< the region's surface has more triangles than are made of a volume
  outside_region   ///< a cut is outside the volume or the region, or crop is outside the volume
};

/// What is wrong, and what to do about it in words of withy scene's options.
struct VolumeRefusal {
  VolumeFault fault;
  std::string problem;
  std::string remedy;
  int line = 1;  ///< of a header that is text
};

/// Is this a name that a volume has: .nrrd, .nhdr, .nii, .nii.gz, .mha, .mhd, or a folder?
bool is_volume_name(const std::filesystem::path& input);

tl::expected<VolumeSurface, VolumeRefusal> read_volume_surface(const std::filesystem::path& input,
                                                               const VolumeSettings& settings);

}  // namespace withy
