// SPDX-License-Identifier: GPL-3.0-or-later
#include "tests/fuzz/wall_readers.h"

#include <filesystem>
#include <memory>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include <Eigen/Geometry>

#include "geometry/mesh/polygon_mesh.h"
#include "geometry/repair/repair.h"
#include "geometry/repair/triangulate.h"
#include "geometry/volume/volume.h"
#include "tests/support/temporary_folder.h"

namespace withy_test {
namespace {

using Said = std::optional<std::string>;

// Mending is only worth milliseconds.
constexpr std::size_t kMostCorners = 200;
// So often the mending asks whether to stop before it is told to.
constexpr int kMostQuestions = 2000;
// As fine as an eighth of the mesh.
constexpr double kWrap = 0.125;
// So large a mesh is mended, whatever its file says: how far a wall was moved is measured to a few
// micrometres.
constexpr double kMended_mm = 0.5;

const std::filesystem::path kSlices = std::filesystem::path(WITHY_SOURCE_DIR) / "tests/fuzz/slices";

/// A folder that volumes and meshes are written to, with all but one slice of a series in a folder of it.
class Place {
 public:
  static const Place& get() {
    static const Place place;
    return place;
  }

  std::filesystem::path put(const std::string& name, const std::string& bytes) const {
    const auto file = folder_.path() / name;
    write_text(file, bytes);
    return file;
  }
  std::filesystem::path slices() const { return folder_.path() / "slices"; }

 private:
  Place() { std::filesystem::copy(kSlices, slices()); }

  TemporaryFolder folder_;
};

/// The mesh with an extent of kMended_mm; as it is where it has none.
withy::TriangleMesh scaled(withy::TriangleMesh mesh) {
  Eigen::AlignedBox3d box;
  for (const auto& vertex : mesh.vertices) box.extend(vertex);
  const double size_mm = box.isEmpty() ? 0.0 : box.sizes().maxCoeff();
  if (size_mm > 0.0)
    for (auto& vertex : mesh.vertices) vertex = (kMended_mm / size_mm) * (vertex - box.min());
  return mesh;
}

/// As it is, where wrap_mm is 0.
Said mend(const withy::TriangleMesh& mesh, double wrap_mm) {
  withy::RepairSettings settings;
  settings.close_below_mm = 0.1 * kMended_mm;
  settings.wrap_mm = wrap_mm;
  auto asked = std::make_shared<int>(0);
  settings.effort = withy::Effort().until_stop([asked] { return ++*asked > kMostQuestions; });
  auto repaired = withy::repair_lumen(mesh, settings);
  if (!repaired) return repaired.error().problem + ", " + repaired.error().remedy;
  withy::flatten_ends(std::move(*repaired), 0.01 * kMended_mm, settings.effort);
  return std::nullopt;
}

Said read_polygon_bytes(const std::string& bytes) {
  auto mesh = withy::read_polygon_mesh(Place::get().put("polygons.obj", bytes), withy::LengthUnit::mm);
  if (!mesh) return mesh.error().message();
  std::size_t corners = 3 * mesh->triangles.triangles.size();
  for (const auto& face : mesh->wider) corners += face.size();
  if (corners > kMostCorners) return std::nullopt;
  std::vector<std::string> done;
  const withy::TriangleMesh triangles = scaled(withy::triangulated(std::move(*mesh), done));
  const Said as_it_is = mend(triangles, 0.0);
  const Said wrapped = mend(triangles, kWrap * kMended_mm);
  return as_it_is ? as_it_is : wrapped;
}

/// The surface of a label, and of a range of values.
Said read_volume(const std::filesystem::path& input) {
  withy::VolumeSettings settings;
  settings.range = withy::ValueRange{0.5, 1e6};
  const auto ranged = withy::read_volume_surface(input, settings);
  if (!ranged) return ranged.error().problem + ", " + ranged.error().remedy;
  settings.range.reset();
  settings.label = 1.0;
  const auto labelled = withy::read_volume_surface(input, settings);
  return labelled ? Said() : Said(labelled.error().problem + ", " + labelled.error().remedy);
}

Said read_nrrd_bytes(const std::string& bytes) {
  return read_volume(Place::get().put("volume.nrrd", bytes));
}
Said read_meta_bytes(const std::string& bytes) {
  return read_volume(Place::get().put("volume.mha", bytes));
}
Said read_nifti_bytes(const std::string& bytes) {
  const bool packed = bytes.starts_with("\x1f\x8b");
  return read_volume(Place::get().put(packed ? "volume.nii.gz" : "volume.nii", bytes));
}
Said read_dicom_bytes(const std::string& bytes) {
  Place::get().put("slices/0.dcm", bytes);
  return read_volume(Place::get().slices());
}

}  // namespace

std::vector<FuzzReader> wall_readers() {
  return {{"polygons", read_polygon_bytes},
          {"nrrd", read_nrrd_bytes},
          {"meta", read_meta_bytes},
          {"nifti", read_nifti_bytes},
          {"dicom", read_dicom_bytes}};
}

}  // namespace withy_test
