// SPDX-License-Identifier: GPL-3.0-or-later
// What a volume's file says of itself, apart from its reader: a reader may fill with zeros what the file does
// not hold, and take 1 mm where the file gives no spacing.
//
// NIfTI: nifti1.h and nifti2.h (R. W. Cox and others, "A (sort of) new ANALYZE-style format", 2004), packed
// by gzip or not. NRRD and MetaImage: the fields of their headers, which are text.
#pragma once

#include <cstddef>
#include <filesystem>
#include <optional>
#include <string>

#include "geometry/volume/memory_file.h"

namespace withy {

struct StoredBytes {
  std::size_t held = 0;   ///< bytes of voxels in the file, unpacked
  std::size_t meant = 0;  ///< as the header has it
  bool unpacks = true;    ///< packed data is whole, up to its check sum
  bool whole() const { return held >= meant && unpacks; }
};

struct StoredNifti {
  StoredBytes bytes;
  bool placed = true;  ///< spacing and axes that the header gives are numbers: ITK 5.2 aborts where not
  std::optional<MemoryFile> unpacked;  ///< of a packed file, where there is memory for it: the whole of it
};

/// Of a NIfTI file; nothing where its header is none. A packed one is unpacked here, so that its reader need
/// not do it again.
std::optional<StoredNifti> read_nifti(const std::filesystem::path& file);

/// A packed MetaImage whose voxels follow its header, which lacks the field CompressedDataSize, unpacked: its
/// reader does not find where they begin. Nothing for any other file, where they do not unpack, or where
/// there is no memory for it.
std::optional<MemoryFile> unpacked_meta(const std::filesystem::path& file);

/// The value of a field in a header of lines "name: value" or "name = value", in lower case; nothing where
/// there is no such field. `name` is in lower case.
std::optional<std::string> header_field(const std::filesystem::path& file, const std::string& name);

}  // namespace withy
