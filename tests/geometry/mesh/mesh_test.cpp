// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/mesh/mesh.h"

#include <fstream>
#include <iterator>
#include <random>
#include <string>

#include <catch2/catch.hpp>
#include <unistd.h>

#include "tests/geometry/mesh/mesh_shapes.h"

namespace withy {
namespace {

namespace fs = std::filesystem;
using Catch::Matchers::Contains;
using Catch::Matchers::WithinRel;

/// A folder of this test's own, gone at its end.
class Folder {
 public:
  Folder() : path_(fs::temp_directory_path() / ("withy-mesh-test-" + std::to_string(::getpid()))) {
    fs::create_directories(path_);
  }
  ~Folder() { fs::remove_all(path_); }
  fs::path operator/(const std::string& name) const { return path_ / name; }
  std::size_t entries() const {
    return static_cast<std::size_t>(std::distance(fs::directory_iterator(path_), {}));
  }

 private:
  fs::path path_;
};

std::string bytes_of(const fs::path& file) {
  std::ifstream in(file, std::ios::binary);
  return {std::istreambuf_iterator<char>(in), {}};
}

/// A new file each time: some file systems flush to disk when an older one is cut to nothing and written
/// anew.
void put(const fs::path& file, const std::string& bytes) {
  fs::remove(file);
  std::ofstream(file, std::ios::binary) << bytes;
}

TriangleMesh random_mesh(std::mt19937& random) {
  std::uniform_real_distribution<double> coordinate(-200.0, 200.0);
  TriangleMesh mesh;
  for (int i = 0; i < 40; ++i)
    mesh.vertices.emplace_back(coordinate(random), coordinate(random), coordinate(random));
  for (int i = 0; i < 38; ++i) mesh.triangles.push_back({i, i + 1, i + 2});
  return mesh;
}

TEST_CASE(
    "Each file of the table of unreadable meshes is refused at the place and in the words of the table") {
  const auto rows = shapes::table(shapes::assets() / "broken/README.md", "Files that can't be read");
  REQUIRE(rows.size() >= 16);
  for (const auto& row : rows) {
    REQUIRE(row.size() == 4);
    const fs::path file = shapes::assets() / "broken" / row[0];
    INFO(file);
    REQUIRE(fs::exists(file));
    const auto mesh = read_mesh(file, LengthUnit::mm);
    REQUIRE_FALSE(mesh);
    CHECK(mesh.error().message() == file.generic_string() + ":" + row[2] + ": " + row[3]);
  }
}

TEST_CASE("Every format's odd spellings of the block are read as the block") {
  const auto expected = shapes::canonical(shapes::block(2.0, 0.0, 10.0));
  for (const char* name :
       {"block.off", "text.stl", "normals-not-numbers.stl", "says-solid.stl", "comments.off", "text.ply",
        "big-endian.ply", "little-endian.ply", "slashes.obj", "backwards-indices.obj", "tabs-and-crlf.obj"}) {
    INFO(name);
    const auto mesh = read_mesh(shapes::assets() / "good" / name, LengthUnit::mm);
    REQUIRE(mesh);
    CHECK(mesh->vertices.size() == 8);
    CHECK((shapes::canonical(*mesh) == expected));
  }
}

TEST_CASE("What is written is read back as it was, for every format but STL to the last bit") {
  const auto seed = Catch::rngSeed();
  CAPTURE(seed);
  std::mt19937 random(seed);
  const Folder folder;
  const TriangleMesh mesh = random_mesh(random);
  for (const char* name : {"m.obj", "m.ply", "m.off", "M.OBJ"}) {
    INFO(name);
    REQUIRE(write_mesh(mesh, folder / name));
    const auto back = read_mesh(folder / name, LengthUnit::mm);
    REQUIRE(back);
    CHECK(back->vertices.size() == mesh.vertices.size());
    CHECK((shapes::canonical(*back) == shapes::canonical(mesh)));
  }
}

TEST_CASE("An STL file keeps single precision and its shared vertices are found again") {
  const auto seed = Catch::rngSeed();
  CAPTURE(seed);
  std::mt19937 random(seed);
  const Folder folder;
  const TriangleMesh mesh = random_mesh(random);
  REQUIRE(write_mesh(mesh, folder / "m.stl"));
  CHECK(fs::file_size(folder / "m.stl") == 84 + 50 * mesh.triangles.size());
  const auto back = read_mesh(folder / "m.stl", LengthUnit::mm);
  REQUIRE(back);
  REQUIRE(back->vertices.size() == mesh.vertices.size());
  TriangleMesh rounded = mesh;
  for (auto& v : rounded.vertices) {
    for (double& x : v) x = static_cast<float>(x);
  }
  CHECK((shapes::canonical(*back) == shapes::canonical(rounded)));
}

TEST_CASE("Units scale to millimetres by their definitions") {
  // SI prefixes; the inch is 25.4 mm exactly (international yard and pound agreement, 1959).
  CHECK(millimetres_per(LengthUnit::mm) == 1.0);
  CHECK(millimetres_per(LengthUnit::cm) == 10.0);
  CHECK(millimetres_per(LengthUnit::m) == 1000.0);
  CHECK(millimetres_per(LengthUnit::inch) == 25.4);
  CHECK(parse_length_unit("mm") == LengthUnit::mm);
  CHECK(parse_length_unit("cm") == LengthUnit::cm);
  CHECK(parse_length_unit("m") == LengthUnit::m);
  CHECK(parse_length_unit("in") == LengthUnit::inch);
  for (const char* word : {"", "MM", "inch", "metre", "mm "}) CHECK_FALSE(parse_length_unit(word));

  const auto in_inches = read_mesh(shapes::assets() / "good/in-inches.off", LengthUnit::inch);
  REQUIRE(in_inches);
  CHECK_THAT(shapes::volume(*in_inches), WithinRel(160.0, 1e-12));
  for (const auto unit : {LengthUnit::mm, LengthUnit::cm, LengthUnit::m}) {
    const auto mesh = read_mesh(shapes::assets() / "good/block.off", unit);
    REQUIRE(mesh);
    CHECK_THAT(shapes::volume(*mesh), WithinRel(160.0 * std::pow(millimetres_per(unit), 3), 1e-12));
  }
}

TEST_CASE("A file that is not there, a folder and a file without an ending are refused") {
  const Folder folder;
  fs::create_directories(folder / "folder.stl");
  for (const char* name : {"absent.stl", "folder.stl", "noending"}) {
    INFO(name);
    const auto mesh = read_mesh(folder / name, LengthUnit::mm);
    REQUIRE_FALSE(mesh);
    CHECK(mesh.error().line == 1);
    CHECK(mesh.error().column == 1);
    CHECK_THAT(mesh.error().message(), Contains(name));
  }
}

TEST_CASE("A mesh is written whole or not at all") {
  const Folder folder;
  const TriangleMesh mesh = shapes::block(2.0, 0.0, 10.0);
  SECTION("a folder that does not exist") {
    CHECK_FALSE(write_mesh(mesh, folder / "absent/m.stl"));
  }
  SECTION("an unknown ending") {
    CHECK_FALSE(write_mesh(mesh, folder / "m.step"));
  }
  SECTION("a name that a full folder has") {
    fs::create_directories(folder / "m.stl/within");
    CHECK_FALSE(write_mesh(mesh, folder / "m.stl"));
    CHECK(folder.entries() == 1);
    return;
  }
  SECTION("over an older file") {
    put(folder / "m.off", "older");
    REQUIRE(write_mesh(mesh, folder / "m.off"));
    CHECK(read_mesh(folder / "m.off", LengthUnit::mm));
    CHECK(folder.entries() == 1);
    return;
  }
  CHECK(folder.entries() == 0);
}

TEST_CASE("A file cut short anywhere is refused or still has all its triangles") {
  // OBJ is left out: a shorter OBJ file is an OBJ file.
  const Folder folder;
  for (const char* name :
       {"text.stl", "says-solid.stl", "block.off", "comments.off", "text.ply", "big-endian.ply"}) {
    const std::string bytes = bytes_of(shapes::assets() / "good" / name);
    const fs::path file = folder / name;
    std::size_t refused = 0;
    for (std::size_t n = 0; n < bytes.size(); ++n) {
      put(file, bytes.substr(0, n));
      const auto mesh = read_mesh(file, LengthUnit::mm);
      if (!mesh) ++refused;
      if (mesh && mesh->triangles.size() != 12)
        FAIL(name << " cut to " << n << " bytes lost triangles unseen");
    }
    INFO(name);
    CHECK(refused > bytes.size() / 2);
  }
}

TEST_CASE("A file with bytes changed at random is refused or is a finite mesh with every index in range") {
  const auto seed = Catch::rngSeed();
  CAPTURE(seed);
  std::mt19937 random(seed);
  const Folder folder;
  const std::string spice = "0123456789-+.eEnaif/# \n\r\tvfo";
  int read = 0, refused = 0;
  for (const char* name : {"text.stl", "says-solid.stl", "block.off", "comments.off", "text.ply",
                           "big-endian.ply", "little-endian.ply", "slashes.obj", "backwards-indices.obj"}) {
    const std::string bytes = bytes_of(shapes::assets() / "good" / name);
    const fs::path file = folder / name;
    for (int trial = 0; trial < 400; ++trial) {
      std::string changed = bytes;
      for (unsigned k = 0, n = 1 + random() % 4; k < n; ++k) {
        const bool any = random() % 3 == 0;
        changed[random() % changed.size()] =
            any ? static_cast<char>(random() % 256) : spice[random() % spice.size()];
      }
      put(file, changed);
      INFO(name << ", trial " << trial);
      const auto mesh = read_mesh(file, LengthUnit::mm);
      ++(mesh ? read : refused);
      if (!mesh) {
        if (mesh.error().message().find('\n') != std::string::npos) FAIL("an error of more than one line");
        continue;
      }
      for (const auto& v : mesh->vertices) {
        if (!v.allFinite()) FAIL("a coordinate is not finite");
      }
      for (const auto& t : mesh->triangles) {
        for (const int i : t) {
          if (i < 0 || i >= static_cast<int>(mesh->vertices.size())) FAIL("an index is out of range");
        }
      }
    }
  }
  CHECK(read > 100);
  CHECK(refused > 100);
}

}  // namespace
}  // namespace withy
