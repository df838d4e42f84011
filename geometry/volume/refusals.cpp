// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/volume/refusals.h"

#include <cmath>
#include <utility>

#include <fmt/core.h>
#include <unistd.h>

#include "planner/files/words.h"

namespace withy {
namespace {

constexpr const char* kExportAgain = "copy or export it again";

/// Of a voxel in memory: what was read and as a number (8 and 4 bytes at most), its mask and its piece.
constexpr double kBytesOfVoxel = 12.0;

/// From a nanometre to a kilometre: what lies beyond is no distance in a body.
constexpr double kLeastSpacing_mm = 1e-6;
constexpr double kMostPlace_mm = 1e6;

VolumeRefusal refusal(std::string problem, std::string remedy) {
  return {VolumeFault::unreadable, std::move(problem), std::move(remedy)};
}

}  // namespace

tl::unexpected<VolumeRefusal> unreadable(std::string problem, std::string remedy) {
  return tl::unexpected(refusal(std::move(problem), std::move(remedy)));
}

std::optional<VolumeRefusal> not_three_axes(const std::vector<double>& sizes, std::size_t values) {
  std::size_t axes = sizes.size();
  while (axes > 3 && sizes[axes - 1] == 1.0) --axes;
  if (axes == 3 && values == 1) return std::nullopt;
  return VolumeRefusal{
      VolumeFault::not_a_volume,
      fmt::format("this has {} and {} a voxel", count_of(axes, "dimension"), count_of(values, "value")),
      "give one volume of three dimensions and one value a voxel"};
}

std::optional<VolumeRefusal> too_large(const std::vector<double>& sizes) {
  double voxels = 1.0;
  for (const double size : sizes) voxels *= size;
  const double memory =
      static_cast<double>(sysconf(_SC_PHYS_PAGES)) * static_cast<double>(sysconf(_SC_PAGESIZE));
  if (voxels * kBytesOfVoxel <= memory) return std::nullopt;
  return refusal(
      fmt::format(
          "its header gives {:.3g} voxels, which take {:.3g} GB of memory, and this machine has {:.3g} GB",
          voxels, 1e-9 * voxels * kBytesOfVoxel, 1e-9 * memory),
      "export a part of the volume, or one with larger voxels");
}

bool is_spacing(double mm) {
  return mm >= kLeastSpacing_mm && mm <= kMostPlace_mm;
}

bool is_place(double mm) {
  return std::abs(mm) <= kMostPlace_mm;
}

std::optional<VolumeRefusal> wrong_count(const std::string& whose, double held, double meant) {
  if (held == meant) return std::nullopt;
  if (held < meant)
    return refusal(
        fmt::format("{} holds {:.0f} of the {:.0f} bytes of its voxels: it is not whole", whose, held, meant),
        kExportAgain);
  return refusal(
      fmt::format("{} holds more than the {:.0f} bytes of the voxels that its header gives", whose, meant),
      "write the sizes and the type that the voxels have into the header, or export it again");
}

double most_unpacked(double meant) {
  constexpr double kMoreBytes = 1e8;
  return 2.0 * meant + kMoreBytes;
}

std::optional<VolumeRefusal> wrong_packing(const std::string& whose, const Unpacked& unpacked) {
  switch (unpacked.end) {
    case Unpacked::End::whole:
    case Unpacked::End::stopped:
      return std::nullopt;
    case Unpacked::End::cut_short:
      return refusal(fmt::format("{} ends before its packed voxels do: it is not whole", whose),
                     kExportAgain);
    case Unpacked::End::damaged:
      return refusal(
          fmt::format("{} has packed voxels that do not unpack, or do not agree with their check sum: it is "
                      "damaged, or not packed by gzip or zlib",
                      whose),
          kExportAgain);
    case Unpacked::End::more_behind:
      return refusal(
          fmt::format("{} goes on after its packed voxels: it is damaged, or not of this format", whose),
          kExportAgain);
  }
  return std::nullopt;
}

}  // namespace withy
