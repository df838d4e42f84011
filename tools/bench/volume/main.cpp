// SPDX-License-Identifier: GPL-3.0-or-later
// bench_volume: time and memory of `withy scene` on a large volume.
//
// The volume is a CT as a phantom of it would be: a body of tissue (40) in air (-1000), in it a wavy tube of
// air with four side branches, its wall as wide as a voxel, noise of 30 all over, no value below -1024, as
// scanners store them. It is written to a folder as NRRD, or as packed NIfTI, and becomes a scene by --range
// -1024 -400 at the tube. Printed are wall and processor time and peak memory of the program; it ends with
// status 1 only where the program does.
#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <cstring>
#include <filesystem>
#include <fstream>
#include <functional>
#include <memory>
#include <random>
#include <string>
#include <vector>

#include <CLI/CLI.hpp>
#include <fmt/format.h>
#include <zlib.h>

#include "tools/bench/support/child.h"
#include "tools/bench/support/machine.h"

namespace {

struct Phantom {
  std::array<int, 3> size{512, 512, 400};
  std::array<double, 3> spacing_mm{0.6, 0.6, 0.7};
  std::uint32_t seed = 1;

  double middle_x(int z) const { return 0.5 * size[0] + 0.12 * size[0] * std::sin(z / 80.0); }
  double middle_y(int z) const { return 0.5 * size[1] + 0.08 * size[1] * std::cos(z / 60.0); }
  double radius(int z) const { return 0.035 * size[0] + 0.008 * size[0] * std::sin(z / 20.0); }

  /// How far a voxel is from the air's border, in voxels: positive in tissue.
  double depth(int x, int y, int z) const {
    double tube = std::hypot(x - middle_x(z), y - middle_y(z)) - radius(z);
    for (int k = 1; k <= 4; ++k) {  // side branches along x, to either side in turn
      const int at = k * size[2] / 5;
      const double along = (x - middle_x(at)) * (k % 2 == 0 ? -1.0 : 1.0);
      if (along > 0.0 && along < 0.2 * size[0])
        tube = std::min(tube, std::hypot(y - middle_y(at), z - at) - 0.015 * size[0]);
    }
    return std::min(tube, 0.45 * size[0] - std::hypot(x - 0.5 * size[0], y - 0.5 * size[1]));
  }

  /// Row after row of voxels.
  void rows(const std::function<void(const std::vector<std::int16_t>&)>& take) const {
    std::mt19937 random(seed);
    std::normal_distribution<float> normal(0.0F, 30.0F);
    std::array<std::int16_t, 4096> noise{};
    for (std::int16_t& n : noise) n = static_cast<std::int16_t>(normal(random));
    std::vector<std::int16_t> row(static_cast<std::size_t>(size[0]));
    for (int z = 0; z < size[2]; ++z)
      for (int y = 0; y < size[1]; ++y) {
        const auto shift = static_cast<std::size_t>(random() % noise.size());
        for (int x = 0; x < size[0]; ++x) {
          const double share = std::clamp(depth(x, y, z) + 0.5, 0.0, 1.0);
          const double value =
              -1000.0 + 1040.0 * share + noise[(shift + static_cast<std::size_t>(x)) % noise.size()];
          row[static_cast<std::size_t>(x)] = static_cast<std::int16_t>(std::max(value, -1024.0));
        }
        take(row);
      }
  }

  std::string write_nrrd(const std::filesystem::path& folder) const {
    std::ofstream raw(folder / "phantom.raw", std::ios::binary);
    rows([&](const std::vector<std::int16_t>& row) {
      raw.write(reinterpret_cast<const char*>(row.data()), static_cast<std::streamsize>(2 * row.size()));
    });
    std::ofstream(folder / "phantom.nhdr") << fmt::format(
        "NRRD0004\ntype: int16\ndimension: 3\nsizes: {} {} {}\nspacings: {} {} {}\nencoding: raw\n"
        "endian: little\ndata file: phantom.raw\n",
        size[0], size[1], size[2], spacing_mm[0], spacing_mm[1], spacing_mm[2]);
    return (folder / "phantom.nhdr").string();
  }

  /// NIfTI-1 (nifti1.h), packed by gzip; its sform lays the voxels where the NRRD file has them.
  std::string write_nifti(const std::filesystem::path& folder) const {
    std::array<char, 352> header{};
    const auto put = [&](std::size_t at, auto value) {
      std::memcpy(header.data() + at, &value, sizeof value);
    };
    put(0, std::int32_t{348});
    put(40, std::int16_t{3});
    for (std::size_t k = 0; k < 7; ++k) put(42 + 2 * k, static_cast<std::int16_t>(k < 3 ? size[k] : 1));
    put(70, std::int16_t{4});  // int16
    put(72, std::int16_t{16});
    put(76, 1.0F);
    put(108, 352.0F);
    put(112, 1.0F);
    header[123] = 2;  // mm
    put(254, std::int16_t{1});
    for (std::size_t k = 0; k < 3; ++k) {
      put(80 + 4 * k, static_cast<float>(spacing_mm[k]));
      put(280 + 20 * k,
          static_cast<float>(k < 2 ? -spacing_mm[k] : spacing_mm[k]));  // right, anterior, superior
    }
    std::memcpy(header.data() + 344, "n+1", 4);
    const std::string file = (folder / "phantom.nii.gz").string();
    const std::unique_ptr<gzFile_s, int (*)(gzFile)> out(gzopen(file.c_str(), "wb1"), gzclose);
    gzwrite(out.get(), header.data(), static_cast<unsigned>(header.size()));
    rows([&](const std::vector<std::int16_t>& row) {
      gzwrite(out.get(), row.data(), static_cast<unsigned>(2 * row.size()));
    });
    return file;
  }
};

}  // namespace

int main(int argc, char** argv) {
  Phantom phantom;
  std::string program;
  std::string folder = "volume";
  std::vector<int> size;
  int cores = 2;
  bool nifti = false;
  CLI::App app("Time and memory of withy scene on a large volume");
  app.add_option("program", program, "withy")->required();
  app.add_option("--folder", folder, "where the volume and the scene are written");
  app.add_option("--size", size, "voxels along x, y and z; 512 512 400")->expected(3);
  app.add_flag("--nifti", nifti, "a packed NIfTI file instead of NRRD");
  app.add_option("--seed", phantom.seed, "of the noise");
  app.add_option("--cores", cores, "that the program may use");
  CLI11_PARSE(app, argc, argv);
  for (std::size_t k = 0; k < size.size(); ++k) phantom.size[k] = size[k];
  std::filesystem::create_directories(folder);
  const std::string volume = nifti ? phantom.write_nifti(folder) : phantom.write_nrrd(folder);
  const int middle = phantom.size[2] / 2;
  const auto at = [&](double voxel, std::size_t axis) {
    return fmt::format("{:.3f}", voxel * phantom.spacing_mm[axis]);
  };
  const withy::bench::ChildRun run = withy::bench::run_child(
      {program, "scene", volume, "-o", folder + "/scene", "--range", "-1024", "-400", "--keep-at",
       at(phantom.middle_x(middle), 0), at(phantom.middle_y(middle), 1), at(middle, 2), "--quiet"},
      cores, 3600.0);
  fmt::print("{}, commit {}, seed {}\n", withy::bench::processor(), withy::bench::commit(), phantom.seed);
  fmt::print("{} x {} x {} voxels: status {}, {:.1f} s by the clock, {:.1f} s of processor time, {:.0f} MB\n",
             phantom.size[0], phantom.size[1], phantom.size[2], run.status, run.wall_s, run.processor_s,
             run.peak_mb);
  return run.status == 0 ? 0 : 1;
}
