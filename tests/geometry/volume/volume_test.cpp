// SPDX-License-Identifier: GPL-3.0-or-later
// Phantoms of known shape, voxelised here and written as files byte by byte (NRRD: "Nearly Raw Raster Data",
// Teem; NIfTI-1: nifti1.h), with oblique directions and odd spacing. Their surfaces are held against the
// shapes' equations by way of ITK's own transform of the file, and that against the header's formula.
#include "geometry/volume/volume.h"

#include <cmath>
#include <cstring>
#include <fstream>
#include <functional>
#include <limits>
#include <numbers>

#include <catch2/catch.hpp>
#include <fmt/core.h>
#include <itkGDCMImageIO.h>
#include <itkImageFileReader.h>
#include <itkImageFileWriter.h>
#include <itkMetaDataObject.h>
#include <itkMetaImageIO.h>
#include <itkNiftiImageIO.h>
#include <itkNrrdImageIO.h>
#include <zlib.h>

#include "geometry/mesh/mesh_checks.h"
#include "geometry/repair/pieces.h"
#include "geometry/repair/repair.h"
#include "geometry/volume/memory_file.h"
#include "tests/support/temporary_folder.h"

namespace {

using Eigen::Vector3d;
using namespace withy;
using Volume = itk::Image<float, 3>;

/// A function of continuous index coordinates: below 0 inside.
using Shape = std::function<double(const Vector3d&)>;

struct Grid {
  std::array<int, 3> size;
  Eigen::Matrix3d steps;  ///< columns: from one voxel to the next, mm
  Vector3d origin;
};

Grid oblique_grid(int nx, int ny, int nz) {
  const Eigen::Matrix3d turn =
      (Eigen::AngleAxisd(0.4, Vector3d::UnitX()) * Eigen::AngleAxisd(-0.7, Vector3d::UnitY()) *
       Eigen::AngleAxisd(0.3, Vector3d::UnitZ()))
          .toRotationMatrix();
  return {{nx, ny, nz}, turn * Vector3d(0.7, 0.9, 1.6).asDiagonal(), {-31.0, 12.5, 140.0}};
}

std::vector<float> voxels(const Grid& grid, const std::function<float(const Vector3d&)>& value) {
  std::vector<float> out;
  for (int z = 0; z < grid.size[2]; ++z)
    for (int y = 0; y < grid.size[1]; ++y)
      for (int x = 0; x < grid.size[0]; ++x) out.push_back(value(Vector3d(x, y, z)));
  return out;
}

void write_nrrd(const std::filesystem::path& file, const Grid& grid, const std::vector<float>& values) {
  std::ofstream out(file, std::ios::binary);
  out.precision(17);
  const auto vector = [&](const Vector3d& v) { out << '(' << v.x() << ',' << v.y() << ',' << v.z() << ')'; };
  out << "NRRD0004\ntype: float\ndimension: 3\nspace: left-posterior-superior\nsizes: " << grid.size[0] << ' '
      << grid.size[1] << ' ' << grid.size[2] << "\nspace directions: ";
  for (int k = 0; k < 3; ++k) {
    vector(grid.steps.col(k));
    out << (k < 2 ? " " : "\n");
  }
  out << "kinds: domain domain domain\nendian: little\nencoding: raw\nspace origin: ";
  vector(grid.origin);
  out << "\n\n";
  out.write(reinterpret_cast<const char*>(values.data()), static_cast<std::streamsize>(4 * values.size()));
}

/// NIfTI-1 with its sform. Its space is right, anterior, superior: x and y are the negative of the scene's.
void write_nifti(const std::filesystem::path& file, const Grid& grid, const std::vector<float>& values) {
  std::vector<char> header(352, 0);
  const auto put = [&](std::size_t at, auto value) { std::memcpy(header.data() + at, &value, sizeof value); };
  put(0, std::int32_t{348});
  put(40, std::int16_t{3});
  for (std::size_t k = 0; k < 3; ++k) put(42 + 2 * k, static_cast<std::int16_t>(grid.size[k]));
  for (std::size_t k = 3; k < 7; ++k) put(42 + 2 * k, std::int16_t{1});
  put(70, std::int16_t{16});  // float
  put(72, std::int16_t{32});
  put(76, 1.0F);
  for (int k = 0; k < 3; ++k)
    put(80 + 4 * static_cast<std::size_t>(k), static_cast<float>(grid.steps.col(k).norm()));
  put(108, 352.0F);
  put(112, 1.0F);
  header[123] = 2;  // mm
  put(254, std::int16_t{1});
  for (int row = 0; row < 3; ++row) {
    const double sign = row < 2 ? -1.0 : 1.0;
    for (int k = 0; k < 3; ++k)
      put(280 + 16 * static_cast<std::size_t>(row) + 4 * static_cast<std::size_t>(k),
          static_cast<float>(sign * grid.steps(row, k)));
    put(292 + 16 * static_cast<std::size_t>(row), static_cast<float>(sign * grid.origin[row]));
  }
  std::memcpy(header.data() + 344, "n+1", 4);
  std::ofstream out(file, std::ios::binary);
  out.write(header.data(), 352);
  out.write(reinterpret_cast<const char*>(values.data()), static_cast<std::streamsize>(4 * values.size()));
}

template <class Io>
Volume::Pointer read_by_itk(const std::filesystem::path& file) {
  const auto reader = itk::ImageFileReader<Volume>::New();
  reader->SetImageIO(Io::New());
  reader->SetFileName(file.string());
  reader->Update();
  return reader->GetOutput();
}

Vector3d index_by_itk(const Volume& volume, const Vector3d& p) {
  itk::ContinuousIndex<double, 3> index;
  volume.TransformPhysicalPointToContinuousIndex(Volume::PointType(p.data()), index);
  return {index[0], index[1], index[2]};
}

/// The most that the header's formula and ITK disagree at the corners of the grid, mm.
double disagreement(const Volume& volume, const Grid& grid) {
  double most = 0.0;
  for (int corner = 0; corner < 8; ++corner) {
    const Volume::IndexType index = {{corner & 1 ? grid.size[0] - 1 : 0, corner & 2 ? grid.size[1] - 1 : 0,
                                      corner & 4 ? grid.size[2] - 1 : 0}};
    Volume::PointType p;
    volume.TransformIndexToPhysicalPoint(index, p);
    const Vector3d said = grid.origin + grid.steps * Vector3d(index[0], index[1], index[2]);
    most = std::max(most, (said - Vector3d(p[0], p[1], p[2])).norm());
  }
  return most;
}

const Vector3d kMiddle(14.2, 13.7, 12.4);

double ball(const Vector3d& i) {
  return (i - kMiddle).norm() - 8.3;
}

double torus(const Vector3d& i) {
  const Vector3d d = i - kMiddle;
  return std::hypot(std::hypot(d.x(), d.y()) - 7.4, d.z()) - 3.2;
}

double tube(const Vector3d& i) {
  return std::hypot(i.x() - 14.2 - 0.1 * i.z(), i.y() - 13.7) - 5.6;
}

VolumeSettings labelled(double label, const std::optional<Vector3d>& keep_at = std::nullopt) {
  VolumeSettings settings;
  settings.label = label;
  settings.keep_at = keep_at;
  return settings;
}

VolumeSettings valued(double low, double high) {
  VolumeSettings settings;
  settings.range = ValueRange{low, high};
  return settings;
}

/// A folder of DICOM slices, written by GDCM by way of ITK: one file each, in an order of names that is not
/// theirs. Directions and places go into the elements that the standard has for them (PS3.3, C.7.6.2).
void write_dicom(const std::filesystem::path& folder, const Grid& grid, const std::vector<float>& values) {
  using Slice = itk::Image<std::int16_t, 2>;
  const Vector3d across = grid.steps.col(0).normalized();
  const Vector3d down = grid.steps.col(1).normalized();
  const auto list = [](std::initializer_list<double> numbers) {
    std::string text;
    for (const double x : numbers) text += (text.empty() ? "" : "\\") + fmt::format("{:.10g}", x);
    return text;
  };
  const auto size = static_cast<std::size_t>(grid.size[0] * grid.size[1]);
  for (int z = 0; z < grid.size[2]; ++z) {
    const auto slice = Slice::New();
    slice->SetRegions(
        Slice::SizeType{static_cast<std::size_t>(grid.size[0]), static_cast<std::size_t>(grid.size[1])});
    const double spacing[2] = {grid.steps.col(0).norm(), grid.steps.col(1).norm()};
    slice->SetSpacing(spacing);
    slice->Allocate();
    for (std::size_t i = 0; i < size; ++i)
      slice->GetBufferPointer()[i] =
          static_cast<std::int16_t>(values[static_cast<std::size_t>(z) * size + i]);
    const auto io = itk::GDCMImageIO::New();
    io->KeepOriginalUIDOn();
    itk::MetaDataDictionary words;
    const auto put = [&](const char* tag, const std::string& text) {
      itk::EncapsulateMetaData<std::string>(words, tag, text);
    };
    const Vector3d at = grid.origin + z * grid.steps.col(2);
    put("0008|0016", "1.2.840.10008.5.1.4.1.1.2");  // CT image storage
    put("0008|0018", fmt::format("2.25.7.{}", z + 1));
    put("0008|0060", "CT");
    put("0020|000d", "2.25.5");
    put("0020|000e", "2.25.6");
    put("0020|0013", fmt::format("{}", z + 1));
    put("0020|0032", list({at.x(), at.y(), at.z()}));
    put("0020|0037", list({across.x(), across.y(), across.z(), down.x(), down.y(), down.z()}));
    const auto writer = itk::ImageFileWriter<Slice>::New();
    slice->SetMetaDataDictionary(words);
    writer->SetInput(slice);
    writer->SetImageIO(io);
    writer->SetFileName((folder / fmt::format("{:03}.dcm", (z * 7) % 100)).string());
    writer->Update();
  }
}

std::string bytes_of(const std::filesystem::path& file) {
  std::ifstream in(file, std::ios::binary);
  return {std::istreambuf_iterator<char>(in), {}};
}

void write_packed(const std::filesystem::path& file, const std::string& bytes) {
  const gzFile out = gzopen(file.c_str(), "wb");
  gzwrite(out, bytes.data(), static_cast<unsigned>(bytes.size()));
  gzclose(out);
}

/// MetaImage, with its voxels in the same file; ITK packs them where asked.
void write_meta(const std::filesystem::path& file, const Volume* volume, bool packed) {
  const auto writer = itk::ImageFileWriter<Volume>::New();
  writer->SetInput(volume);
  writer->SetImageIO(itk::MetaImageIO::New());
  writer->SetUseCompression(packed);
  writer->SetFileName(file.string());
  writer->Update();
}

bool says(const std::vector<std::string>& done, const char* words) {
  return std::any_of(done.begin(), done.end(),
                     [&](const std::string& line) { return line.find(words) != std::string::npos; });
}

TriangleMesh surface(const std::filesystem::path& file, const VolumeSettings& settings) {
  const auto made = read_volume_surface(file, settings);
  INFO((made ? std::string() : made.error().problem));
  REQUIRE(made);
  return made->mesh;
}

}  // namespace

TEST_CASE("the surface of a labelled ball lies within half a voxel, whatever the directions") {
  const withy_test::TemporaryFolder folder;
  const Grid grid = oblique_grid(30, 29, 27);
  const auto values = voxels(grid, [](const Vector3d& i) { return ball(i) < 0.0 ? 3.0F : 1.0F; });
  write_nrrd(folder.path() / "ball.nrrd", grid, values);
  write_nifti(folder.path() / "ball.nii", grid, values);
  const auto check = [&](const char* name, const Volume& volume, double rounding_mm) {
    CAPTURE(name);
    CHECK(disagreement(volume, grid) < rounding_mm);
    const TriangleMesh mesh = surface(folder.path() / name, labelled(3.0));
    REQUIRE(mesh.triangles.size() > 500);
    double most = 0.0;
    for (const Vector3d& p : mesh.vertices) most = std::max(most, std::abs(ball(index_by_itk(volume, p))));
    CHECK(most <= 0.5 + 1e-5);
    std::vector<std::string> unsaid;
    const auto pieces = pieces_of(mesh, unsaid);
    REQUIRE(pieces.size() == 1);
    CHECK(pieces[0].closed);
    CHECK(handles_of(pieces[0].mesh, 0) == 0);
    // In voxels: 4/3 pi 8.3^3; the voxels' corners cut off take some.
    const double voxels_in = enclosed_volume(pieces[0].mesh) / std::abs(grid.steps.determinant());
    CHECK(voxels_in == Approx(4.0 / 3.0 * std::numbers::pi * 8.3 * 8.3 * 8.3).epsilon(0.03));
  };
  check("ball.nrrd", *read_by_itk<itk::NrrdImageIO>(folder.path() / "ball.nrrd"), 1e-9);
  check("ball.nii", *read_by_itk<itk::NiftiImageIO>(folder.path() / "ball.nii"), 1e-4);
}

TEST_CASE("where values change evenly the surface of a range lies where they leave it") {
  const withy_test::TemporaryFolder folder;
  const Grid grid = oblique_grid(30, 29, 27);
  write_nrrd(folder.path() / "ball.nrrd", grid,
             voxels(grid, [](const Vector3d& i) { return static_cast<float>(100.0 * ball(i)); }));
  const auto volume = read_by_itk<itk::NrrdImageIO>(folder.path() / "ball.nrrd");
  const TriangleMesh mesh = surface(folder.path() / "ball.nrrd", valued(-5000.0, 0.0));
  double most = 0.0;
  for (const Vector3d& p : mesh.vertices) most = std::max(most, std::abs(ball(index_by_itk(*volume, p))));
  CHECK(most < 0.06);  // chords of about 1.5 voxels on a ball of 8.3: sagitta 1.5^2 / (8 * 8.3)
}

TEST_CASE("a torus keeps its handle, a tube that leaves the volume its openings and its radius") {
  const withy_test::TemporaryFolder folder;
  const Grid grid = oblique_grid(30, 29, 27);
  write_nrrd(folder.path() / "torus.nrrd", grid,
             voxels(grid, [](const Vector3d& i) { return torus(i) < 0.0 ? 1.0F : 0.0F; }));
  write_nrrd(folder.path() / "tube.nrrd", grid,
             voxels(grid, [](const Vector3d& i) { return static_cast<float>(tube(i)); }));
  const auto ring = repair_lumen(surface(folder.path() / "torus.nrrd", labelled(1.0)), {});
  REQUIRE(ring);
  CHECK(ring->handles == 1);
  CHECK(ring->openings.empty());
  const auto volume = read_by_itk<itk::NrrdImageIO>(folder.path() / "tube.nrrd");
  const auto open = repair_lumen(surface(folder.path() / "tube.nrrd", valued(-100.0, 0.0)), {});
  REQUIRE(open);
  CHECK(open->handles == 0);
  REQUIRE(open->openings.size() == 2);
  for (const Rim& rim : open->openings) {
    const double slice = index_by_itk(*volume, rim.centre).z();
    CHECK((std::abs(slice) < 1e-4 || std::abs(slice - 26.0) < 1e-4));
    CHECK(rim.spread_mm < 1e-4);  // directions come back from a file to 1e-7 or so
    for (const Vector3d& p : rim.points) CHECK(std::abs(tube(index_by_itk(*volume, p))) < 0.1);
  }
}

TEST_CASE("a folder of DICOM slices gives the surface where its elements say that it lies") {
  const withy_test::TemporaryFolder folder;
  Grid grid = oblique_grid(30, 29, 27);
  write_dicom(folder.path(), grid, voxels(grid, [](const Vector3d& i) {
                return static_cast<float>(std::round(100.0 * ball(i)));
              }));
  const TriangleMesh mesh = surface(folder.path(), valued(-5000.0, 0.0));
  double most = 0.0;
  for (const Vector3d& p : mesh.vertices)
    most = std::max(most, std::abs(ball(grid.steps.inverse() * (p - grid.origin))));
  CHECK(most < 0.06);  // as above, and values are rounded to 0.005 of a voxel
  // Without the eleventh and twelfth slice the rest would be squeezed together.
  for (const char* name : {"070.dcm", "077.dcm"}) REQUIRE(std::filesystem::remove(folder.path() / name));
  const auto gap = read_volume_surface(folder.path(), valued(-5000.0, 0.0));
  REQUIRE_FALSE(gap);
  CHECK(gap.error().fault == VolumeFault::missing_slices);
  CHECK(gap.error().problem.starts_with("slices are missing"));
}

TEST_CASE("a crop leaves the lumen open where its box ends") {
  const withy_test::TemporaryFolder folder;
  Grid grid = oblique_grid(30, 29, 27);
  grid.steps = Vector3d(0.7, 0.9, 1.6).asDiagonal();
  write_nrrd(folder.path() / "tube.nrrd", grid,
             voxels(grid, [](const Vector3d& i) { return static_cast<float>(tube(i)); }));
  VolumeSettings settings = valued(-100.0, 0.0);
  const auto along = [&](double slice) { return grid.origin.z() + 1.6 * slice; };
  settings.crop = Eigen::AlignedBox3d(Vector3d(-100, -100, along(4.3)), Vector3d(100, 100, along(19.8)));
  settings.cuts = {grid.origin + grid.steps * Vector3d(15.2, 13.7, 10.0)};
  const auto part = repair_lumen(surface(folder.path() / "tube.nrrd", settings), {});
  REQUIRE(part);
  REQUIRE(part->openings.size() == 2);
  for (const Rim& rim : part->openings) {
    const double slice = (rim.centre.z() - grid.origin.z()) / 1.6;
    CAPTURE(slice);
    CHECK((std::abs(slice - 5.0) < 1e-4 ||
           std::abs(slice - 19.0) < 1e-4));  // directions come back to 1e-7 or so
    CHECK(rim.spread_mm < 1e-4);
  }
  settings.cuts = {grid.origin + grid.steps * Vector3d(1.0, 1.0, 10.0)};
  const auto beside = read_volume_surface(folder.path() / "tube.nrrd", settings);
  REQUIRE_FALSE(beside);
  CHECK(beside.error().fault == VolumeFault::outside_region);
  CHECK(beside.error().problem.starts_with("at --cut"));
  CHECK(beside.error().remedy.find("the nearest is (") != std::string::npos);
  settings.crop = Eigen::AlignedBox3d(Vector3d(900, 900, 900), Vector3d(910, 910, 910));
  const auto nowhere = read_volume_surface(folder.path() / "tube.nrrd", settings);
  REQUIRE_FALSE(nowhere);
  CHECK(nowhere.error().problem.starts_with("--crop"));
  CHECK(nowhere.error().remedy.find("which reach from (") != std::string::npos);
}

TEST_CASE("of several pieces the one at a point is taken") {
  const withy_test::TemporaryFolder folder;
  const Grid grid = oblique_grid(40, 20, 20);
  const auto two = [](const Vector3d& i) {
    return (i - Vector3d(10, 10, 10)).norm() < 7.0 || (i - Vector3d(30, 10, 10)).norm() < 4.0 ? 5.0F : 0.0F;
  };
  write_nrrd(folder.path() / "two.nrrd", grid, voxels(grid, two));
  const auto volume = read_by_itk<itk::NrrdImageIO>(folder.path() / "two.nrrd");
  const auto middle = [&](const std::optional<Vector3d>& keep_at) {
    const TriangleMesh mesh = surface(folder.path() / "two.nrrd", labelled(5.0, keep_at));
    Vector3d sum = Vector3d::Zero();
    for (const Vector3d& p : mesh.vertices) sum += index_by_itk(*volume, p);
    return Vector3d(sum / static_cast<double>(mesh.vertices.size()));
  };
  CHECK(middle(std::nullopt).isApprox(Vector3d(10, 10, 10), 0.02));
  CHECK(middle(grid.origin + grid.steps * Vector3d(31, 9, 10)).isApprox(Vector3d(30, 10, 10), 0.02));
  // Between the two, nearer to the smaller one's edge (26 against 17); and outside the volume.
  for (const Vector3d& near : {Vector3d(23, 10, 10), Vector3d(200, 10, 10)}) {
    CHECK(middle(grid.origin + grid.steps * near).isApprox(Vector3d(30, 10, 10), 0.02));
    const auto said =
        read_volume_surface(folder.path() / "two.nrrd", labelled(5.0, grid.origin + grid.steps * near));
    REQUIRE(said);
    const auto word = std::find_if(said->done.begin(), said->done.end(), [](const auto& line) {
      return line.find("--keep-at") != std::string::npos;
    });
    REQUIRE(word != said->done.end());
    // Its edge along that axis: the last voxel within 4 of the middle is 3 or 4 away.
    const double far = (grid.steps * (near - Vector3d(near.x() < 30 ? 27 : 33, 10, 10))).norm();
    CHECK(std::stod(word->substr(word->find("nearest, ") + 9)) == Approx(far).margin(0.011));
  }
  const auto none = read_volume_surface(folder.path() / "two.nrrd", labelled(7.0));
  REQUIRE_FALSE(none);
  CHECK(none.error().fault == VolumeFault::empty_region);
}

TEST_CASE("a file that is no volume is refused") {
  const withy_test::TemporaryFolder folder;
  withy_test::write_text(folder.path() / "no.nrrd", "solid nothing\n");
  withy_test::write_text(
      folder.path() / "short.nrrd",
      "NRRD0004\ntype: float\ndimension: 3\nsizes: 9 9 9\nencoding: raw\nendian: little\n\nabc");
  for (const char* name : {"no.nrrd", "short.nrrd", "missing.nii"}) {
    CAPTURE(name);
    const auto read = read_volume_surface(folder.path() / name, labelled(1.0));
    REQUIRE_FALSE(read);
    CHECK(read.error().fault == VolumeFault::unreadable);
    CHECK(read.error().problem.find('\n') == std::string::npos);
  }
  const auto empty = read_volume_surface(folder.path(), labelled(1.0));
  REQUIRE_FALSE(empty);
  CHECK(empty.error().fault == VolumeFault::unreadable);
}

TEST_CASE("a volume whose file is cut short is refused, whatever its format") {
  const withy_test::TemporaryFolder folder;
  const auto at = [&](const char* name) { return folder.path() / name; };
  const Grid grid = oblique_grid(30, 29, 27);
  const auto values = voxels(grid, [](const Vector3d& i) { return static_cast<float>(ball(i)); });
  write_nrrd(at("a.nrrd"), grid, values);
  write_nifti(at("a.nii"), grid, values);
  const std::string nifti = bytes_of(at("a.nii"));
  write_packed(at("a.nii.gz"), nifti);
  write_packed(at("b.nii.gz"), nifti);
  const auto volume = read_by_itk<itk::NrrdImageIO>(at("a.nrrd"));
  write_meta(at("a.mha"), volume, false);
  write_meta(at("b.mha"), volume, true);
  write_meta(at("a.mhd"), volume, false);
  const auto refused = [&](const char* name) {
    CAPTURE(name);
    const auto read = read_volume_surface(at(name), valued(-100.0, 0.0));
    REQUIRE_FALSE(read);
    CHECK(read.error().fault == VolumeFault::unreadable);
    return read.error().problem;
  };
  const std::vector<std::pair<const char*, const char*>> files = {
      {"a.nrrd", "a.nrrd"}, {"a.nii", "a.nii"}, {"a.nii.gz", "a.nii.gz"},
      {"a.mha", "a.mha"},   {"b.mha", "b.mha"}, {"a.mhd", "a.raw"}};
  for (const auto& [name, data] : files) {
    CAPTURE(name);
    REQUIRE(read_volume_surface(at(name), valued(-100.0, 0.0)));
    std::filesystem::resize_file(at(data), std::filesystem::file_size(at(data)) * 3 / 4);
    refused(name);
  }
  // 4 bytes a voxel, and a header of 352 (nifti1.h).
  constexpr std::size_t kBytes = 4 * 30 * 29 * 27;
  CHECK(refused("a.nii").starts_with(
      fmt::format("the file holds {} of the {} bytes", (kBytes + 352) * 3 / 4 - 352, kBytes)));
  write_packed(at("b.nii.gz"), nifti.substr(0, 352 + 1000));
  CHECK(refused("b.nii.gz").starts_with(fmt::format("the file holds 1000 of the {} bytes", kBytes)));
}

TEST_CASE(
    "packed volumes give the surface of the plain ones, and leave nothing in the folder for temporary "
    "files") {
  const withy_test::TemporaryFolder folder;
  const withy_test::TemporaryFolder temporary;
  const char* before = std::getenv("TMPDIR");
  const std::string kept = before == nullptr ? "" : before;
  setenv("TMPDIR", temporary.path().c_str(), 1);
  const auto at = [&](const char* name) { return folder.path() / name; };
  const Grid grid = oblique_grid(30, 29, 27);
  const auto values = voxels(grid, [](const Vector3d& i) { return static_cast<float>(ball(i)); });
  write_nrrd(at("a.nrrd"), grid, values);
  write_nifti(at("a.nii"), grid, values);
  write_packed(at("a.nii.gz"), bytes_of(at("a.nii")));
  std::filesystem::copy(at("a.nii.gz"), at("packed.nii"));
  write_meta(at("a.mha"), read_by_itk<itk::NrrdImageIO>(at("a.nrrd")), true);
  // As some programs leave it: without the size that the voxels have where they are packed.
  std::string sizeless = bytes_of(at("a.mha"));
  const std::size_t line = sizeless.find("CompressedDataSize");
  REQUIRE(line != std::string::npos);
  sizeless.erase(line, sizeless.find('\n', line) + 1 - line);
  std::ofstream(at("sizeless.mha"), std::ios::binary) << sizeless;
  const auto surface = [&](const char* name) {
    CAPTURE(name);
    auto read = read_volume_surface(at(name), valued(-100.0, 0.0));
    INFO((read ? std::string() : read.error().problem));
    REQUIRE(read);
    return read->mesh;
  };
  const auto same = [](const TriangleMesh& a, const TriangleMesh& b) {
    REQUIRE(a.triangles == b.triangles);
    double off = 0.0;
    for (std::size_t i = 0; i < a.vertices.size(); ++i)
      off = std::max(off, (a.vertices[i] - b.vertices[i]).norm());
    return off == 0.0;
  };
  CHECK(same(surface("a.nii.gz"), surface("a.nii")));
  CHECK(same(surface("packed.nii"), surface("a.nii")));
  CHECK(same(surface("sizeless.mha"), surface("a.mha")));
  CHECK(std::filesystem::is_empty(temporary.path()));
  // Nor is anything left where the program is ended by a signal.
  auto interrupted = MemoryFile::make("some.nii");
  REQUIRE(interrupted);
  CHECK(std::filesystem::exists(interrupted->path()));
  remove_left_memory_file();
  CHECK(std::filesystem::is_empty(temporary.path()));
  interrupted.reset();
  // Cut short it is refused all the same.
  std::filesystem::resize_file(at("sizeless.mha"), std::filesystem::file_size(at("sizeless.mha")) * 3 / 4);
  CHECK_FALSE(read_volume_surface(at("sizeless.mha"), valued(-100.0, 0.0)));
  // Where there is no folder for temporary files the packed file itself is read.
  setenv("TMPDIR", (temporary.path() / "none").c_str(), 1);
  CHECK(same(surface("a.nii.gz"), surface("a.nii")));
  if (before == nullptr)
    unsetenv("TMPDIR");
  else
    setenv("TMPDIR", kept.c_str(), 1);
}

TEST_CASE("a NIfTI file whose voxels begin nowhere is refused") {
  const withy_test::TemporaryFolder folder;
  const Grid grid = oblique_grid(30, 29, 27);
  write_nifti(folder.path() / "a.nii", grid,
              voxels(grid, [](const Vector3d& i) { return static_cast<float>(ball(i)); }));
  const std::string sound = bytes_of(folder.path() / "a.nii");
  const auto problem = [&](float offset) {
    CAPTURE(offset);
    std::string nifti = sound;
    std::memcpy(nifti.data() + 108, &offset, sizeof offset);  // vox_offset (nifti1.h)
    std::ofstream(folder.path() / "b.nii", std::ios::binary) << nifti;
    write_packed(folder.path() / "b.nii.gz", nifti);
    const auto packed = read_volume_surface(folder.path() / "b.nii.gz", valued(-100.0, 0.0));
    const auto plain = read_volume_surface(folder.path() / "b.nii", valued(-100.0, 0.0));
    REQUIRE_FALSE(plain);
    REQUIRE_FALSE(packed);
    CHECK(plain.error().problem == packed.error().problem);
    return plain.error().problem;
  };
  // Before the header's end and its four bytes about extensions, at no whole byte, at none.
  for (const float offset : {-352.0F, 0.0F, 348.0F, 351.0F, 352.5F, std::numeric_limits<float>::infinity(),
                             std::numeric_limits<float>::quiet_NaN(), std::numeric_limits<float>::max()})
    CHECK(problem(offset).starts_with("its header has the voxels begin at byte "));
  CHECK(problem(1e9F).starts_with("the file holds 0 of the "));
  CHECK(problem(368.0F).starts_with("the file holds 93944 of the 93960 bytes"));
}

// nifti1.h: pixdim at byte 76, srow_x at 280. ITK 5.2 aborts the program where one is no number.
TEST_CASE("a NIfTI file with a spacing or an axis that is no number is refused") {
  const withy_test::TemporaryFolder folder;
  const Grid grid = oblique_grid(30, 29, 27);
  write_nifti(folder.path() / "a.nii", grid,
              voxels(grid, [](const Vector3d& i) { return static_cast<float>(ball(i)); }));
  const std::string sound = bytes_of(folder.path() / "a.nii");
  for (const std::size_t at : {80U, 84U, 88U, 280U, 292U, 324U})
    for (const float bad :
         {std::numeric_limits<float>::quiet_NaN(), -std::numeric_limits<float>::infinity()}) {
      CAPTURE(at, bad);
      std::string nifti = sound;
      std::memcpy(nifti.data() + at, &bad, sizeof bad);
      const std::int16_t rows = 1;
      std::memcpy(nifti.data() + 254, &rows, sizeof rows);  // sform_code
      std::ofstream(folder.path() / "b.nii", std::ios::binary) << nifti;
      const auto read = read_volume_surface(folder.path() / "b.nii", valued(-100.0, 0.0));
      REQUIRE_FALSE(read);
      CHECK(read.error().problem == "its header gives a spacing or an axis that is no number");
    }
}

TEST_CASE("a series with a slice cut short is refused and names the slice") {
  const withy_test::TemporaryFolder folder;
  const Grid grid = oblique_grid(30, 29, 5);
  write_dicom(folder.path(), grid, voxels(grid, [](const Vector3d& i) {
                return static_cast<float>(std::round(100.0 * tube(i)));
              }));
  REQUIRE(read_volume_surface(folder.path(), valued(-5000.0, 0.0)));
  const auto slice = folder.path() / "014.dcm";
  std::filesystem::resize_file(slice, std::filesystem::file_size(slice) - 900);
  const auto read = read_volume_surface(folder.path(), valued(-5000.0, 0.0));
  REQUIRE_FALSE(read);
  CHECK(read.error().problem.starts_with("the slice 014.dcm ends before its pixels do"));
}

TEST_CASE("beside voxels without a value the wall lies half way, and their number is said") {
  const withy_test::TemporaryFolder folder;
  const Grid grid = oblique_grid(30, 29, 27);
  const auto nan = std::numeric_limits<float>::quiet_NaN();
  write_nrrd(folder.path() / "nan.nrrd", grid,
             voxels(grid, [&](const Vector3d& i) { return ball(i) < 0.0 ? 1.0F : nan; }));
  const auto made = read_volume_surface(folder.path() / "nan.nrrd", valued(0.0, 5.0));
  REQUIRE(made);
  for (const Vector3d& p : made->mesh.vertices) REQUIRE(p.allFinite());
  CHECK(says(made->done, "voxels have no value"));
  CHECK(made->oblique);
}

TEST_CASE("a volume whose surface has too many triangles is refused at once, with what would do") {
  // Rods along every second row in all three directions: 3 triangles a voxel.
  const withy_test::TemporaryFolder folder;
  Grid grid = oblique_grid(136, 136, 136);
  write_nrrd(folder.path() / "comb.nrrd", grid, voxels(grid, [](const Vector3d& i) {
               const auto odd = [](double v) { return std::lround(v) % 2 != 0; };
               return odd(i.x()) + odd(i.y()) + odd(i.z()) >= 2 ? 0.0F : 1.0F;
             }));
  const auto made = read_volume_surface(folder.path() / "comb.nrrd", valued(0.5, 5.0));
  REQUIRE_FALSE(made);
  CHECK(made.error().fault == VolumeFault::too_rough);
  CHECK(made.error().remedy.find("--crop") != std::string::npos);
}

TEST_CASE("what a header leaves out, or has in another frame, is said") {
  const withy_test::TemporaryFolder folder;
  const auto at = [&](const char* name) { return folder.path() / name; };
  Grid grid = oblique_grid(30, 29, 27);
  const auto values = voxels(grid, [](const Vector3d& i) { return static_cast<float>(ball(i)); });
  write_nifti(at("a.nii"), grid, values);
  const auto read = [&](const char* name) { return read_volume_surface(at(name), valued(-100.0, 0.0)); };
  CHECK(says(read("a.nii")->done, "x and y of this NIfTI file change sign"));
  const auto nrrd = [&](const char* name, const std::string& spacing) {
    std::ofstream out(at(name), std::ios::binary);
    out << "NRRD0004\ntype: float\ndimension: 3\nsizes: 30 29 27\n"
        << spacing << "encoding: raw\nendian: little\n\n";
    out.write(reinterpret_cast<const char*>(values.data()), static_cast<std::streamsize>(4 * values.size()));
  };
  nrrd("none.nrrd", "");
  nrrd("some.nrrd", "spacings: 1 2 3\n");
  nrrd("cm.nrrd", "spacings: 1 2 3\nunits: \"cm\" \"cm\" \"cm\"\n");
  nrrd("nan.nrrd", "spacings: 1 nan 3\n");
  nrrd("zero.nrrd", "spacings: 0 2 3\n");
  CHECK(says(read("none.nrrd")->done, "no distance between voxels: took 1 mm"));
  CHECK_FALSE(says(read("some.nrrd")->done, "took 1 mm"));
  CHECK_FALSE(says(read("some.nrrd")->done, "taken for mm"));
  // A length in cm is ten times as many mm.
  nrrd("furlong.nrrd", "spacings: 1 2 3\nunits: \"furlong\" \"furlong\" \"furlong\"\n");
  CHECK(says(read("furlong.nrrd")->done, "are taken for mm"));
  const auto in_mm = read("some.nrrd");
  const auto in_cm = read("cm.nrrd");
  CHECK(says(in_cm->done, "converted to mm"));
  REQUIRE(in_cm->mesh.vertices.size() == in_mm->mesh.vertices.size());
  for (std::size_t i = 0; i < in_mm->mesh.vertices.size(); ++i)
    REQUIRE((in_cm->mesh.vertices[i] - 10.0 * in_mm->mesh.vertices[i]).norm() < 1e-4);  // single precision
  CHECK_FALSE(says(read("some.nrrd")->done, "LPS"));
  CHECK_FALSE(read("some.nrrd")->oblique);
  for (const char* name : {"nan.nrrd", "zero.nrrd"}) {
    CAPTURE(name);
    const auto bad = read(name);
    REQUIRE_FALSE(bad);
    CHECK(bad.error().problem.find("ITK") == std::string::npos);
  }
  VolumeSettings far = valued(-100.0, 0.0);
  far.crop = Eigen::AlignedBox3d(Vector3d(900, 900, 900), Vector3d(910, 910, 910));
  CHECK(read_volume_surface(at("a.nii"), far).error().remedy.find("LPS") != std::string::npos);
}
