// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/mesh/mesh_scan.h"

#include <string>
#include <vector>

#include <catch2/catch.hpp>

namespace withy {
namespace {

/// Bytes, where the fault stands (counted by hand) and how the sentence on it starts.
struct Case {
  std::string bytes;
  int line, column;
  std::string problem;
};

void check(const std::vector<Case>& cases, MeshFormat format) {
  for (const Case& c : cases) {
    INFO(c.bytes);
    const auto fault = scan_mesh(c.bytes, format);
    REQUIRE(fault);
    CHECK(fault->problem.substr(0, c.problem.size()) == c.problem);
    CHECK(fault->line == c.line);
    CHECK(fault->column == c.column);
    CHECK_FALSE(fault->remedy.empty());
  }
}

TEST_CASE("A text STL file's faults are found where they stand") {
  const std::string facet = "solid a\nfacet normal 0 0 1\nouter loop\nvertex 0 0 0\nvertex 1 0 0\n";
  check({{"sloid a\nendsolid a\n", 1, 1, "\"sloid\" has no place between facets"},
         {"solid a\nfacet normal 0 0 1\n outer lop\n", 3, 8, "\"lop\" has no place in a facet"},
         {facet + "vertex 1 x 0\n", 6, 10, "\"x\" is not a number"},
         {facet + "vertex 1 1\nendloop\n", 6, 11, "vertex 3 has too few coordinates"},
         {facet + "vertex 1 inf 0\n", 6, 10, "vertex 3 has a coordinate that is not a finite number"},
         {facet + "endloop\n  endfacet\nendsolid\n", 2, 1, "face 1 has 2 corners"},
         {facet + "vertex 1 1 0\nvertex 0 1 0\nendloop\nendfacet\nendsolid\n", 2, 1, "face 1 has 4 corners"},
         {facet + "vertex 1 1 0\nendloop\nendfacet\n", 9, 1, "the file ends without endsolid"},
         {facet, 6, 1, "the file ends within face 1"},
         {"solid a\nendsolid a\n", 1, 1, "this mesh has no triangles"}},
        MeshFormat::stl);
  const std::string tail = "vertex 1 1 0\nendloop\nendfacet\nendsolid a\n";
  CHECK_FALSE(scan_stl(facet + tail));
  CHECK_FALSE(scan_stl(facet + tail + facet + tail));
  CHECK_FALSE(scan_stl("solid a b c\r\n" + facet.substr(8) + tail));
}

TEST_CASE("A binary STL file is weighed by the count in its header") {
  std::string bytes(80, '\0');
  CHECK(scan_stl(bytes)->problem == "this binary STL file ends after 80 bytes, within its header");
  bytes += std::string("\x02\x00\x00\x00", 4);
  CHECK(scan_stl(bytes)->problem ==
        "this binary STL file should have 2 triangles in 184 bytes but ends after 84");
  bytes += std::string(100, '\0');
  CHECK_FALSE(scan_stl(bytes));
  // Bytes after the last triangle do no harm.
  CHECK_FALSE(scan_stl(bytes + "more"));
  // The second corner's y of the second triangle becomes the single-precision infinity.
  bytes.replace(84 + 50 + 12 + 16, 4, std::string("\x00\x00\x80\x7f", 4));
  CHECK(scan_stl(bytes)->problem == "vertex 5 has a coordinate that is not a finite number");
}

TEST_CASE("An OBJ file's faults are found where they stand") {
  const std::string vertices = "v 0 0 0\nv 1 0 0\nv 0 1 0\n";
  check({{vertices + "f 1 2 3 4\nv 1 1 0\n", 4, 1, "face 1 has 4 corners"},
         {vertices + "f 1 2\n", 4, 1, "face 1 has 2 corners"},
         {vertices + "f 1 2 0\n", 4, 7, "face 1 names a vertex that is not there"},
         {vertices + "f 1 2 -4\n", 4, 7, "face 1 names a vertex that is not there"},
         {vertices + "f 1 2 3\nf 1 2  4\n", 5, 8, "face 2 names a vertex that is not there"},
         {vertices + "f 1 2 three\n", 4, 7, "\"three\" is not the number of a vertex"},
         {"v 0 0\nf 1 1 1\n", 1, 6, "vertex 1 has too few coordinates"},
         {vertices + "face 1 2 3\n", 4, 1, "\"face\" starts no line that withy reads"},
         {vertices, 1, 1, "this mesh has no triangles"},
         {"", 1, 1, "this mesh has no triangles"}},
        MeshFormat::obj);
  CHECK_FALSE(scan_obj("f 1 2 3\n" + vertices));  // a face may stand before its vertices
  CHECK_FALSE(scan_obj(vertices + "f 1/7/7 2//7 -1  # a face\n"));
}

TEST_CASE("An OFF file's faults are found where they stand") {
  const std::string vertices = "OFF\n3 1 0\n0 0 0\n1 0 0\n0 1 0\n";
  check({{"", 1, 1, "an OFF file starts with OFF"},
         {"3 1 0\n0 0 0\n", 1, 1, "an OFF file starts with OFF"},
         {"OFF\n", 2, 1, "the file ends before its numbers of vertices and faces"},
         {"OFF\n3 one 0\n", 2, 3, "\"one\" is not a number of vertices or faces"},
         {"OFF\n3 -1 0\n", 2, 3, "\"-1\" is not a number of vertices or faces"},
         {"OFF\n3 1 0\n0 0 0\n1 0 0\n", 5, 1, "the file ends before vertex 3 of 3"},
         {"OFF\n3 1 0\n0 0 0\n1 0\n", 4, 4, "vertex 2 has too few coordinates"},
         {vertices, 6, 1, "the file ends before face 1 of 1"},
         {vertices + "tri 0 1 2\n", 6, 1, "\"tri\" is not a number of corners"},
         {vertices + "4 0 1 2 0\n", 6, 1, "face 1 has 4 corners"},
         {vertices + "3 0 1\n", 6, 6, "face 1 has too few corners"},
         {vertices + "3 0 1 3\n", 6, 7, "face 1 names a vertex that is not there"},
         {vertices + "3 0 1 -1\n", 6, 7, "face 1 names a vertex that is not there"},
         {vertices + "3 0 1 c\n", 6, 7, "\"c\" is not the number of a vertex"},
         {"OFF\n1 0 0\n0 0 0\n", 1, 1, "this mesh has no triangles"}},
        MeshFormat::off);
  CHECK_FALSE(scan_off("COFF 3 1 0 # counts\n\n0 0 0 9 9 9\n1 0 0 9 9 9\n0 1 0 9 9 9\n3 0 1 2 9 9 9\n"));
}

TEST_CASE("A text PLY file's faults are found where they stand") {
  const std::string top = "ply\nformat ascii 1.0\n";
  const std::string vertex = "element vertex 3\nproperty float x\nproperty float y\nproperty double z\n";
  const std::string face = "element face 1\nproperty list uchar int vertex_indices\n";
  const std::string body = top + vertex + face + "end_header\n0 0 0\n1 0 0\n0 1 0\n";
  check({{"plx\n", 1, 1, "a PLY file starts with ply"},
         {"ply\ncomment early\nformat ascii 1.0\n", 2, 1,
          "the second line of a PLY file should name its format"},
         {"ply\nformat text 1.0\n", 2, 8, "\"text\" is no PLY format"},
         {top + "element vertex\n", 3, 15, "an element needs a name and a count"},
         {top + "element vertex many\n", 3, 16, "\"many\" is not a count"},
         {top + "element vertex 999999999999\n", 3, 16, "the file is too short for 999999999999 items"},
         {top + "property float x\n", 3, 9, "a property stands before any element"},
         {top + "element vertex 3\nproperty half x\n", 4, 10, "\"half\" is no PLY type"},
         {top + "element face 1\nproperty list float int vertex_indices\n", 4, 20,
          "a list needs a whole-number type"},
         {top + "\n", 3, 1, "a PLY header has no empty lines"},
         {top + vertex, 7, 1, "the file ends within its header"},
         {top + "element vertex 3\nproperty float x\nproperty float y\n" + face + "end_header\n", 3, 9,
          "the vertices have no z"},
         {top + vertex + "element face 1\nproperty list uchar short vertex_indices\nend_header\n", 8, 27,
          "the corners are not int or uint"},
         {top + vertex + "end_header\n", 1, 1, "this mesh has no triangles"},
         {body, 13, 1, "the file ends within face 1 of 1"},
         {body + "4 0 1 2 0\n", 13, 1, "face 1 has 4 corners"},
         {body + "3 0 1 3\n", 13, 7, "face 1 names a vertex that is not there"},
         {body + "3 0 1 1.5\n", 13, 7, "\"1.5\" is not a whole number"}},
        MeshFormat::ply);
  CHECK_FALSE(scan_ply(body + "3 0 1 2\n"));
}

TEST_CASE("A format is told by its file's ending, in capitals or not") {
  CHECK(mesh_format("a/b.c/m.stl") == MeshFormat::stl);
  CHECK(mesh_format("M.OBJ") == MeshFormat::obj);
  CHECK(mesh_format("m.Ply") == MeshFormat::ply);
  CHECK(mesh_format("m.tar.off") == MeshFormat::off);
  for (const char* file : {"m", "m.", ".stl", "m.stlx", "stl"}) CHECK_FALSE(mesh_format(file));
}

}  // namespace
}  // namespace withy
