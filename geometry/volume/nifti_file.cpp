// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/volume/nifti_file.h"

#include <algorithm>
#include <array>
#include <bit>
#include <cmath>
#include <cstddef>
#include <cstdint>
#include <cstring>
#include <fstream>
#include <limits>
#include <utility>

#include <Eigen/Geometry>
#include <fmt/core.h>

#include "geometry/volume/refusals.h"
#include "geometry/volume/unpack.h"

namespace withy {
namespace {

using Eigen::Vector3d;
using NiftiAffine = Eigen::Matrix<double, 3, 4>;

/// Where a version of the format keeps what is read here: bytes from the file's start, and widths.
struct NiftiVersion {
  std::size_t header;
  std::size_t first_voxel;  ///< the least that vox_offset may be: four bytes about extensions come before
  std::size_t dim, dim_width;
  std::size_t datatype, bitpix;
  std::size_t pixdim, real_width;
  std::size_t offset;
  std::size_t slope;  ///< scl_slope, and scl_inter after it
  std::size_t codes, code_width;
  std::size_t quatern;  ///< b, c, d, and the offset
  std::size_t rows;
  std::size_t units;
  std::size_t magic;
};
constexpr NiftiVersion kVersion1{348, 352, 40, 2, 70, 72, 76, 4, 108, 112, 252, 2, 256, 280, 123, 344};
constexpr NiftiVersion kVersion2{540, 544, 16, 8, 12, 14, 104, 8, 168, 176, 344, 4, 352, 400, 500, 4};

/// NIfTI-1 has sizes in two bytes.
constexpr double kMostSize = std::numeric_limits<std::int16_t>::max();

/// Spacings of a header's pixdim and of its sform may differ by rounding.
constexpr double kSameSpacing = 1e-3;

/// A header's qform and sform may place voxels apart by this share of one.
constexpr double kSamePlacement = 0.1;

/// No file holds so many bytes.
constexpr double kMostFileBytes = 1e15;

/// FileBytes of a file that are copied at once.
constexpr std::size_t kCopiedAtOnce = std::size_t{1} << 20;

/// A datatype's code, its bits, and its values a voxel.
struct DataType {
  int code;
  int bits;
  std::size_t values;
  bool read;
};
constexpr std::array<DataType, 16> kDataTypes = {{{2, 8, 1, true},
                                                  {4, 16, 1, true},
                                                  {8, 32, 1, true},
                                                  {16, 32, 1, true},
                                                  {64, 64, 1, true},
                                                  {256, 8, 1, true},
                                                  {512, 16, 1, true},
                                                  {768, 32, 1, true},
                                                  {1024, 64, 1, false},
                                                  {1280, 64, 1, false},
                                                  {1536, 128, 1, false},
                                                  {32, 64, 2, false},
                                                  {1792, 128, 2, false},
                                                  {2048, 256, 2, false},
                                                  {128, 24, 3, false},
                                                  {2304, 32, 4, false}}};

/// FileBytes in the file's order.
class FileBytes {
 public:
  FileBytes(std::vector<char> bytes, bool swapped) : bytes_(std::move(bytes)), swapped_(swapped) {}

  template <class T>
  T get(std::size_t at) const {
    std::array<char, sizeof(T)> own;
    std::copy_n(bytes_.begin() + static_cast<std::ptrdiff_t>(at), sizeof(T), own.begin());
    if (swapped_) std::reverse(own.begin(), own.end());
    return std::bit_cast<T>(own);
  }

  template <class T>
  void put(std::size_t at, T value) {
    auto own = std::bit_cast<std::array<char, sizeof(T)>>(value);
    if (swapped_) std::reverse(own.begin(), own.end());
    std::copy(own.begin(), own.end(), bytes_.begin() + static_cast<std::ptrdiff_t>(at));
  }

  /// A whole number of so many bytes.
  double whole(std::size_t at, std::size_t width) const {
    if (width == 2) return get<std::int16_t>(at);
    return width == 4 ? static_cast<double>(get<std::int32_t>(at))
                      : static_cast<double>(get<std::int64_t>(at));
  }
  double real(std::size_t at, std::size_t width) const {
    return width == 4 ? static_cast<double>(get<float>(at)) : get<double>(at);
  }
  const std::vector<char>& all() const { return bytes_; }
  bool swapped() const { return swapped_; }

 private:
  std::vector<char> bytes_;
  bool swapped_;
};

/// What a header says.
struct NiftiHeader {
  bool swapped = false;
  std::vector<double> sizes;
  int datatype = 0;
  int bits = 0;
  double offset = 0.0;
  double slope = 0.0;
  double shift = 0.0;
  NiftiAffine to_ras = NiftiAffine::Zero();
  bool plain = false;  ///< its reader takes it as it is meant
  double bytes() const {
    double bytes = bits / 8.0;
    for (const double size : sizes) bytes *= size;
    return bytes;
  }
};

using NiftiHeaderResult = tl::expected<NiftiHeader, VolumeRefusal>;

tl::unexpected<VolumeRefusal> no_nifti_numbers() {
  return unreadable("its header gives a spacing or an axis that is no number",
                    "write the distances between voxels in mm and their axes there");
}

/// The axes, and what a voxel holds.
std::optional<VolumeRefusal> read_nifti_sizes(const FileBytes& bytes, const NiftiVersion& version,
                                              NiftiHeader& header) {
  const double axes = bytes.whole(version.dim, version.dim_width);
  if (!(axes >= 1.0 && axes <= 7.0))
    return unreadable(fmt::format("its header gives {:.0f} dimensions", axes),
                      "write 3 there, or export it again")
        .value();
  std::string all;
  bool sound = true;
  for (std::size_t k = 1; k <= static_cast<std::size_t>(axes); ++k) {
    header.sizes.push_back(bytes.whole(version.dim + k * version.dim_width, version.dim_width));
    all += (k > 1 ? " x " : "") + fmt::format("{:.0f}", header.sizes.back());
    sound = sound && header.sizes.back() >= 1.0;
  }
  if (!sound)
    return unreadable(fmt::format("its header gives a size of {} voxels", all),
                      "write how many voxels there are along each axis, 1 or more")
        .value();
  header.datatype = bytes.get<std::int16_t>(version.datatype);
  header.bits = bytes.get<std::int16_t>(version.bitpix);
  const auto type = std::find_if(kDataTypes.begin(), kDataTypes.end(),
                                 [&](const DataType& t) { return t.code == header.datatype; });
  if (type == kDataTypes.end() || (type->values == 1 && !type->read))
    return unreadable(
               fmt::format("its voxels are of a type that withy does not read, datatype {}", header.datatype),
               "export it with whole numbers of 8, 16 or 32 bits, or with numbers of 32 or 64 bits with a "
               "point")
        .value();
  if (auto refusal = not_three_axes(header.sizes, type->values)) return refusal;
  if (type->bits != header.bits)
    return unreadable(fmt::format("its header gives {} bits a voxel and a type of {}, datatype {}",
                                  header.bits, type->bits, header.datatype),
                      "write the bits that the type has, or export it again")
        .value();
  if (*std::max_element(header.sizes.begin(), header.sizes.end()) > kMostSize)
    return unreadable(fmt::format("it has more than {:.0f} voxels along an axis", kMostSize),
                      "export a part of the volume")
        .value();
  return too_large(header.sizes);
}

/// mm in a header's unit of length, and what is to be said of it.
std::optional<VolumeRefusal> read_nifti_unit(const FileBytes& bytes, const NiftiVersion& version, double& mm,
                                             std::vector<std::string>& done) {
  const int code = static_cast<int>(bytes.get<std::uint8_t>(
                       version.units + (bytes.swapped() && version.header == kVersion2.header ? 3 : 0))) &
                   7;
  switch (code) {
    case 0:
      done.push_back(
          "The header names no unit of length: took mm (--scale 1000 if it is m, 0.001 if it is µm).");
      break;
    case 1:
      mm = 1e3;
      done.push_back("The header's lengths are in m: converted to mm.");
      break;
    case 2:
      break;
    case 3:
      mm = 1e-3;
      done.push_back("The header's lengths are in µm: converted to mm.");
      break;
    default:
      return unreadable(fmt::format("its header names no unit of length that there is, xyzt_units {}", code),
                        "write 2 for mm there, or export it again")
          .value();
  }
  return std::nullopt;
}

/// The rotation of a unit quaternion by its last three components.
Eigen::Matrix3d rotation_of(double b, double c, double d) {
  const double rest = 1.0 - (b * b + c * c + d * d);
  const double length = std::sqrt(b * b + c * c + d * d);
  if (rest < 1e-7) return Eigen::Quaterniond(0.0, b / length, c / length, d / length).toRotationMatrix();
  return Eigen::Quaterniond(std::sqrt(rest), b, c, d).toRotationMatrix();
}

bool has_qform(const FileBytes& bytes, const NiftiVersion& version) {
  return bytes.whole(version.codes, version.code_width) > 0.0;
}

bool has_sform(const FileBytes& bytes, const NiftiVersion& version) {
  return bytes.whole(version.codes + version.code_width, version.code_width) > 0.0;
}

/// The placement that the header gives, in its own unit, by its sform or not; its spacings are those of
/// pixdim.
NiftiAffine placement(const FileBytes& bytes, const NiftiVersion& version, const Vector3d& spacing,
                      bool by_sform) {
  const auto real = [&](std::size_t at, std::size_t k) {
    return bytes.real(at + k * version.real_width, version.real_width);
  };
  NiftiAffine place = NiftiAffine::Zero();
  if (by_sform) {
    for (int row = 0; row < 3; ++row)
      for (int k = 0; k < 4; ++k) place(row, k) = real(version.rows, static_cast<std::size_t>(4 * row + k));
  } else if (has_qform(bytes, version)) {
    const double side = real(version.pixdim, 0) < 0.0 ? -1.0 : 1.0;
    place.leftCols<3>() =
        rotation_of(real(version.quatern, 0), real(version.quatern, 1), real(version.quatern, 2)) *
        Vector3d(spacing.x(), spacing.y(), side * spacing.z()).asDiagonal();
    place.col(3) << real(version.quatern, 3), real(version.quatern, 4), real(version.quatern, 5);
  } else {
    place.leftCols<3>() = spacing.asDiagonal();
  }
  return place;
}

/// The farthest that two placements of the outermost voxels lie apart.
double apart(const NiftiAffine& a, const NiftiAffine& b, const NiftiHeader& header) {
  double most = 0.0;
  for (int corner = 0; corner < 8; ++corner) {
    Eigen::Vector4d at(0.0, 0.0, 0.0, 1.0);
    for (int k = 0; k < 3; ++k)
      if (const auto axis = static_cast<std::size_t>(k); (corner >> k & 1) != 0 && axis < header.sizes.size())
        at(k) = header.sizes[axis] - 1.0;
    most = std::max(most, ((a - b) * at).norm());
  }
  return most;
}

std::string spoken_spacing(const Vector3d& spacing) {
  return fmt::format("{:.4g} x {:.4g} x {:.4g}", spacing.x(), spacing.y(), spacing.z());
}

std::optional<VolumeRefusal> read_nifti_placement(const FileBytes& bytes, const NiftiVersion& version,
                                                  NiftiHeader& header, std::vector<std::string>& done) {
  Vector3d spacing;
  for (int k = 0; k < 3; ++k)
    spacing(k) =
        bytes.real(version.pixdim + static_cast<std::size_t>(k + 1) * version.real_width, version.real_width);
  const bool sform = has_sform(bytes, version);
  NiftiAffine place = placement(bytes, version, spacing, sform);
  if (!spacing.allFinite() || !place.allFinite()) return no_nifti_numbers().value();
  double mm = 1.0;
  if (auto refusal = read_nifti_unit(bytes, version, mm, done)) return refusal;
  spacing *= mm;
  place *= mm;
  const Vector3d steps = place.leftCols<3>().colwise().norm();
  for (int k = 0; k < 3; ++k)
    if (!is_spacing(sform ? steps(k) : spacing(k)))
      return unreadable(fmt::format("its header gives distances of {} mm between voxels",
                                    spoken_spacing(sform ? steps : spacing)),
                        "write them in mm, above 0")
          .value();
  if (!is_place(place.col(3).cwiseAbs().maxCoeff()))
    return unreadable("its header places the first voxel farther off than a kilometre",
                      "write that voxel's place in mm, or export it again")
        .value();
  if (sform && ((steps - spacing).cwiseAbs().array() > kSameSpacing * steps.array()).any())
    done.push_back(fmt::format("The header gives voxels of {} mm and an sform of {} mm: took the sform.",
                               spoken_spacing(spacing), spoken_spacing(steps)));
  if (sform && has_qform(bytes, version))
    if (const double off_mm = apart(place, mm * placement(bytes, version, spacing / mm, false), header);
        off_mm > kSamePlacement * steps.minCoeff())
      done.push_back(fmt::format(
          "The header's qform places voxels up to {:.3g} mm from where its sform does: took the sform.",
          off_mm));
  header.to_ras = place;
  header.plain = mm == 1.0 && version.header == kVersion1.header && sform && !has_qform(bytes, version) &&
                 ((steps - spacing).cwiseAbs().array() <= kSameSpacing * steps.array()).all();
  return std::nullopt;
}

/// Where the voxels begin, and how their values are meant.
std::optional<VolumeRefusal> read_nifti_rest(const FileBytes& bytes, const NiftiVersion& version,
                                             NiftiHeader& header) {
  const bool first = version.header == kVersion1.header;
  header.offset =
      first ? bytes.get<float>(version.offset) : static_cast<double>(bytes.get<std::int64_t>(version.offset));
  if (!(header.offset >= static_cast<double>(version.first_voxel)) ||
      header.offset != std::floor(header.offset) || header.offset > kMostFileBytes)
    return unreadable(
               fmt::format("its header has the voxels begin at byte {:g}", header.offset),
               fmt::format("write a whole number there, {} or more, or export it again", version.first_voxel))
        .value();
  header.slope = bytes.real(version.slope, version.real_width);
  header.shift = bytes.real(version.slope + version.real_width, version.real_width);
  if (header.slope == 0.0) header.slope = 1.0, header.shift = 0.0;  // the format's word for: as they are
  if (!std::isfinite(header.slope) || !std::isfinite(header.shift))
    return unreadable(fmt::format("its header scales values by {:g} and shifts them by {:g}", header.slope,
                                  header.shift),
                      "write 1 and 0 there where values are as they are, or export it again")
        .value();
  return std::nullopt;
}

NiftiHeaderResult nifti_header_of(std::vector<char> raw, std::vector<std::string>& done) {
  const auto length = [&](bool swapped) { return FileBytes(raw, swapped).get<std::int32_t>(0); };
  for (const bool swapped : {false, true})
    for (const NiftiVersion& version : {kVersion1, kVersion2}) {
      if (raw.size() < version.first_voxel || length(swapped) != static_cast<std::int32_t>(version.header))
        continue;
      const FileBytes bytes(std::move(raw), swapped);
      const std::string magic(bytes.all().data() + version.magic, 4);
      const char number = version.header == kVersion1.header ? '1' : '2';
      if (magic == std::string{'n', 'i', number, '\0'})
        return unreadable("its voxels are in another file, .img", "export it as one file, .nii or .nii.gz");
      if (magic != std::string{'n', '+', number, '\0'})
        return unreadable("its header lacks the magic word of NIfTI, n+1 or n+2",
                          "export it again as .nii or .nii.gz");
      NiftiHeader header;
      header.swapped = swapped;
      if (auto refusal = read_nifti_sizes(bytes, version, header)) return tl::unexpected(std::move(*refusal));
      if (auto refusal = read_nifti_rest(bytes, version, header)) return tl::unexpected(std::move(*refusal));
      if (auto refusal = read_nifti_placement(bytes, version, header, done))
        return tl::unexpected(std::move(*refusal));
      return header;
    }
  return unreadable("this is no NIfTI file: it does not begin with a header of NIfTI-1 or NIfTI-2",
                    "give a file that is what its name says, .nii or .nii.gz");
}

/// The header of the copy.
std::vector<char> plain_header(const NiftiHeader& header) {
  FileBytes bytes(std::vector<char>(kVersion1.first_voxel, 0), header.swapped);
  bytes.put(0, static_cast<std::int32_t>(kVersion1.header));
  bytes.put(kVersion1.dim, std::int16_t{3});
  for (std::size_t k = 0; k < 7; ++k)
    bytes.put(kVersion1.dim + 2 * (k + 1), static_cast<std::int16_t>(k < 3 ? header.sizes[k] : 1.0));
  bytes.put(kVersion1.datatype, static_cast<std::int16_t>(header.datatype));
  bytes.put(kVersion1.bitpix, static_cast<std::int16_t>(header.bits));
  bytes.put(kVersion1.pixdim, 1.0F);
  for (int k = 0; k < 3; ++k)
    bytes.put(kVersion1.pixdim + 4 * static_cast<std::size_t>(k + 1),
              static_cast<float>(header.to_ras.col(k).norm()));
  bytes.put(kVersion1.offset, static_cast<float>(kVersion1.first_voxel));
  bytes.put(kVersion1.slope, static_cast<float>(header.slope));
  bytes.put(kVersion1.slope + 4, static_cast<float>(header.shift));
  bytes.put(kVersion1.units, std::uint8_t{2});
  bytes.put(kVersion1.codes + 2, std::int16_t{1});
  for (int row = 0; row < 3; ++row)
    for (int k = 0; k < 4; ++k)
      bytes.put(kVersion1.rows + 4 * static_cast<std::size_t>(4 * row + k),
                static_cast<float>(header.to_ras(row, k)));
  std::vector<char> all = bytes.all();
  std::memcpy(all.data() + kVersion1.magic, "n+1", 4);
  return all;
}

/// Gives a file's bytes to a sink, unpacked where they are packed.
Unpacked feed_nifti(std::ifstream& in, const ByteSink& sink) {
  in.clear();
  in.seekg(0);
  if (is_gzip(in)) return unpack(in, sink);
  std::vector<char> part(kCopiedAtOnce);
  Unpacked plain{Unpacked::End::whole, 0, 0};
  while (in.read(part.data(), static_cast<std::streamsize>(part.size())) || in.gcount() > 0) {
    plain.bytes += static_cast<std::size_t>(in.gcount());
    if (sink(part.data(), static_cast<std::size_t>(in.gcount()))) continue;
    plain.end = Unpacked::End::stopped;
    break;
  }
  return plain;
}

/// Copies the voxels behind a plain header and counts the file's bytes. Where there is no memory for it there
/// is no copy.
tl::expected<std::optional<MemoryFile>, VolumeRefusal> copied_voxels(std::ifstream& in,
                                                                     const NiftiHeader& header) {
  auto copy = MemoryFile::make("plain.nii");
  const std::vector<char> start = plain_header(header);
  if (copy && !copy->write(start.data(), start.size())) copy.reset();
  const auto begin = static_cast<std::size_t>(header.offset);
  const std::size_t end = begin + static_cast<std::size_t>(header.bytes());
  std::size_t at = 0;
  const Unpacked all = feed_nifti(in, [&](const char* bytes, std::size_t count) {
    const std::size_t from = std::clamp(begin, at, at + count) - at;
    const std::size_t to = std::clamp(end, at, at + count) - at;
    if (copy && to > from && !copy->write(bytes + from, to - from)) copy.reset();
    at += count;
    return static_cast<double>(at) <= most_unpacked(static_cast<double>(end));
  });
  if (auto refusal = wrong_packing("the file", all)) return tl::unexpected(std::move(*refusal));
  const double held = static_cast<double>(at) - static_cast<double>(std::min(at, begin));
  if (auto refusal = wrong_count("the file", held, header.bytes()))
    return tl::unexpected(std::move(*refusal));
  return copy;
}

}  // namespace

tl::expected<NiftiFile, VolumeRefusal> read_nifti(const std::filesystem::path& file,
                                                  std::vector<std::string>& done) {
  std::ifstream in(file, std::ios::binary);
  if (!in) return unreadable("this file can't be opened", "give one that you may read");
  std::vector<char> start;
  const Unpacked begun = feed_nifti(in, [&](const char* bytes, std::size_t count) {
    const std::size_t wanted = std::min(count, kVersion2.first_voxel - start.size());
    start.insert(start.end(), bytes, bytes + wanted);
    return start.size() < kVersion2.first_voxel;
  });
  if (auto refusal = wrong_packing("the file", begun)) return tl::unexpected(std::move(*refusal));
  const auto header = nifti_header_of(std::move(start), done);
  if (!header) return tl::unexpected(header.error());
  auto copy = copied_voxels(in, *header);
  if (!copy) return tl::unexpected(copy.error());
  if (!*copy && !header->plain)
    return unreadable("there is no memory, or no folder for temporary files, for a copy of it in mm",
                      "set TMPDIR to a folder that you may write to");
  NiftiFile out{std::move(*copy), header->to_ras};
  out.place.topRows<2>() *= -1.0;
  return out;
}

}  // namespace withy
