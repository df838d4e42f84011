// SPDX-License-Identifier: GPL-3.0-or-later
// What a DICOM slice's file says of itself, and whether its elements are whole (DICOM PS3.5, 7.1 and 7.5;
// PS3.10, 7.1; PS3.6 for the tags). Its reader ends the program where an element is cut, and takes 1 mm where
// there is no distance.
//
// Units: mm. Frame: left, posterior, superior.
#pragma once

#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include <Eigen/Core>
#include <tl/expected.hpp>

#include "geometry/volume/volume.h"

namespace withy {

struct DicomSlice {
  std::filesystem::path file;
  std::string series;  ///< what a series has in common, as text
  double rows = 0.0, columns = 0.0, frames = 1.0;
  double number = 0.0;                              ///< of the slice in its series
  std::optional<Eigen::Vector2d> spacing_mm;        ///< from row to row, from column to column
  std::optional<Eigen::Vector3d> position_mm;       ///< of the first voxel's centre
  std::optional<Eigen::Matrix<double, 3, 2>> axes;  ///< along a row, along a column
  bool by_frame = false;                            ///< each frame has its own place: they are not read here
  std::optional<VolumeRefusal> fault;               ///< what keeps it from being read, where it is whole
};

/// Nothing where the file is no DICOM image; a refusal that names it where its elements are not whole.
tl::expected<std::optional<DicomSlice>, VolumeRefusal> read_slice(const std::filesystem::path& file);

struct DicomSeries {
  std::vector<DicomSlice> slices;  ///< in their order along the axis across them
};

/// The series with the most slices among a folder's files, all of one size, and evenly spaced.
tl::expected<DicomSeries, VolumeRefusal> read_series(const std::filesystem::path& folder,
                                                     std::vector<std::string>& done);

}  // namespace withy
