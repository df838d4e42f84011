// SPDX-License-Identifier: GPL-3.0-or-later
// The files that hold a volume's voxels, held against the header that names them. The readers of NRRD and of
// MetaImage pass over some of what can be wrong: a file that is missing, bytes too many, a check sum.
#pragma once

#include <cstddef>
#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "geometry/volume/memory_file.h"
#include "geometry/volume/text_header.h"
#include "geometry/volume/volume.h"

namespace withy {

/// How voxels are written.
enum class VoxelCode {
  plain,   ///< their bytes
  packed,  ///< their bytes, packed by gzip or zlib
  words,   ///< numbers with blanks between them
  hex      ///< their bytes, two digits each
};

struct VoxelFile {
  std::string name;  ///< as the header has it; empty: the header's own file
  int line = 1;      ///< of the header, where it is named
};

struct VoxelFiles {
  std::vector<VoxelFile> files;
  VoxelCode code = VoxelCode::plain;
  double bytes_each = 0.0;             ///< of each file's voxels, as plain bytes
  double value_bytes = 1.0;            ///< of one number
  std::size_t begin = 0;               ///< bytes of a file that are passed over
  std::size_t lines = 0;               ///< lines that are passed over before them
  std::size_t inner = 0;               ///< of packed voxels: bytes passed over once they are unpacked
  bool at_end = false;                 ///< the voxels are the last bytes of each file instead
  bool commas = false;                 ///< between words there may be commas
  std::optional<double> packed_bytes;  ///< as the header has it
};

/// What is wrong with the first file that is not as its header says.
std::optional<VolumeRefusal> check_files(const std::filesystem::path& header, const VoxelFiles& voxels);

/// Headers of NRRD, and of MetaImage, with the files that they name. `done` gets what was taken of what the
/// header leaves open.
std::optional<VolumeRefusal> check_nrrd(const std::filesystem::path& file, std::vector<std::string>& done);
std::optional<VolumeRefusal> check_meta(const std::filesystem::path& file, std::vector<std::string>& done);

/// What the unit of a NRRD header's lengths is in mm, which its reader passes over; 1 where it gives none, or
/// none that is known.
double nrrd_unit_mm(const std::filesystem::path& file);

/// A packed MetaImage whose voxels follow its header, which lacks the field CompressedDataSize, unpacked: its
/// reader does not find where they begin. Nothing for any other file, or where there is no memory for it.
std::optional<MemoryFile> unpacked_meta(const std::filesystem::path& file);

/// A header's sizes along `axes` axes: numbers of voxels.
std::optional<VolumeRefusal> read_sizes(const HeaderField& field, std::size_t axes,
                                        std::vector<double>& sizes);

/// A field of so many distances between voxels, in mm; and of so many coordinates.
std::optional<VolumeRefusal> check_spacings(const HeaderField& field, std::size_t count);
std::optional<VolumeRefusal> check_coordinates(const HeaderField& field,
                                               const std::vector<std::string>& words, std::size_t count);

/// The axes' directions: three vectors that span a volume, one after the other. `lengths`: theirs are
/// distances between voxels.
std::optional<VolumeRefusal> check_directions(const HeaderField& field, const std::vector<std::string>& words,
                                              bool lengths);

/// The files that a pattern with numbers from `low` on in steps of `step` names, `count` of them.
std::optional<VolumeRefusal> add_numbered(const HeaderField& field, const std::vector<std::string>& words,
                                          std::size_t count, VoxelFiles& voxels);

/// The files named a line each behind a header.
std::optional<VolumeRefusal> add_listed(const std::filesystem::path& header, const TextHeader& text,
                                        const HeaderField& field, std::size_t count, VoxelFiles& voxels);

}  // namespace withy
