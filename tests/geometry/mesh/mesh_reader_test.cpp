// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/mesh/mesh_reader.h"

#include <algorithm>
#include <array>
#include <cctype>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include <catch2/catch.hpp>
#include <sys/resource.h>

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
    const auto soup = read_soup(c.bytes, format);
    // A face with more than three corners is a fault to those who read triangles only.
    const std::optional<MeshFileFault> found = soup ? soup->first_wider : soup.error();
    REQUIRE(found);
    const MeshFileFault& fault = *found;
    CHECK(fault.problem.substr(0, c.problem.size()) == c.problem);
    CHECK(fault.line == c.line);
    CHECK(fault.column == c.column);
    CHECK_FALSE(fault.remedy.empty());
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
         {"facet normal 0 0 1\n", 1, 1, "a facet stands outside a solid"},
         {"solid a\nsolid b\n", 2, 1, "a solid stands within another"},
         {"solid a\nendsolid a\n", 1, 1, "this mesh has no triangles"}},
        MeshFormat::stl);
  const std::string tail = "vertex 1 1 0\nendloop\nendfacet\nendsolid a\n";
  CHECK(read_stl(facet + tail));
  CHECK(read_stl(facet + tail + facet + tail));
  CHECK(read_stl("solid a b c\r\n" + facet.substr(8) + tail));
  // In capitals, as some programs write it.
  std::string capitals = facet + tail;
  std::transform(capitals.begin(), capitals.end(), capitals.begin(),
                 [](unsigned char c) { return std::toupper(c); });
  const auto loud = read_stl(capitals);
  REQUIRE(loud);
  CHECK(loud->faces() == 1);
}

TEST_CASE("A binary STL file is weighed by the count in its header") {
  std::string bytes(80, '\0');
  CHECK(read_stl(bytes).error().problem == "this binary STL file ends after 80 bytes, within its header");
  bytes += std::string("\x02\x00\x00\x00", 4);
  CHECK(read_stl(bytes).error().problem ==
        "this binary STL file should have 2 triangles in 184 bytes but ends after 84");
  bytes += std::string(100, '\0');
  CHECK(read_stl(bytes));
  // Bytes after the last triangle do no harm.
  CHECK(read_stl(bytes + "more"));
  // The second corner's y of the second triangle becomes the single-precision infinity.
  bytes.replace(84 + 50 + 12 + 16, 4, std::string("\x00\x00\x80\x7f", 4));
  CHECK(read_stl(bytes).error().problem == "vertex 5 has a coordinate that is not a finite number");
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
  CHECK(read_obj("f 1 2 3\n" + vertices));  // a face may stand before its vertices
  CHECK(read_obj(vertices + "f 1/7/7 2//7 -1  # a face\n"));
}

TEST_CASE("An OBJ file's lines may go on after a backslash, and may hold what is no face") {
  const std::string corners = "v 0 0 0\nv 1 0 0\nv 0 1 0\nv 0 0 1\n";
  const auto soup = read_obj(corners + "l 1 2\ng all\nf 1 2 \\\r\n 3\nf 1/1/1 2\\\n4\n");
  REQUIRE(soup);
  CHECK(soup->triangles == std::vector<std::array<std::size_t, 3>>{{0, 1, 2}, {0, 1, 3}});
  check({{corners + "f 1 2 \\\n x\n", 6, 2, "\"x\" is not the number of a vertex"},
         {corners + "f 1 2 \\", 5, 1, "face 1 has 2 corners"}},
        MeshFormat::obj);
}

// The line continuation character of the OBJ format, appendix B1 of Wavefront's "Advanced Visualizer Manual":
// a line of any kind may be broken, and is read as if it were not.
TEST_CASE(
    "Lines of every kind that go on after a backslash are read as one, with the places of their faults") {
  const std::string whole =
      "v 0 0 0 0.5 0.5 0.5\nv 1 0 0\nv 0 1 0\nl 1 2 3\ng left upper\nvt 0 0\nf 1/1 2/1 3/1\n# a path\\\nv 0 "
      "0 1\n";
  const std::string broken =
      "v 0\\\n0 \\\r\n 0 0.5 \\\n0.5 0.5\nv \\\n 1 0 0\nv\\\n 0 1 0\nl 1 \\\n2 \\\n3\ng left \\\nupper\nvt 0 "
      "\\\n0\n"
      "f \\\n1/1 2/1 \\\n\\\n3/1\n# a path\\\nv 0 0 1\n";
  const auto one = read_obj(whole);
  const auto two = read_obj(broken);
  REQUIRE(one);
  REQUIRE(two);
  CHECK(one->points.size() == 4);  // a comment ends with its line
  CHECK(one->points == two->points);
  CHECK(one->triangles == two->triangles);
  const std::string corners = "v 0 0 0\nv 1 0 0\nv 0 1 0\n";
  check({{"v 0 \\\n\n 0 0\n", 2, 1, "vertex 1 has too few coordinates"},
         {"v 0 \\\n 0 x\n", 2, 4, "\"x\" is not a number"},
         {"v 0 \\ 0 0\n", 1, 5, "\"\\\" is not a number"},
         {corners + "f 1 \\ 2 3\n", 4, 5, "\"\\\" is not the number of a vertex"},
         {corners + "f 1 2 \\\n4\n", 5, 1, "face 1 names a vertex that is not there"},
         {corners + "mtllib C:\\meshes\\\nv 0 0 1\n", 5, 1, "\"v\" stands on a line that the backslash"},
         {corners + "l 1 2 \\\n3\nquux\n", 6, 1, "\"quux\" starts no line"}},
        MeshFormat::obj);
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
         {vertices + "3 0 1 2 # the last\n\n3 2 1 0\n", 8, 1, "\"3\" stands behind the last of 1 faces"},
         {"OFF\n1 0 0\n0 0 0\n", 1, 1, "this mesh has no triangles"}},
        MeshFormat::off);
  CHECK(read_off("COFF 3 1 0 # counts\n\n0 0 0 9 9 9\n1 0 0 9 9 9\n0 1 0 9 9 9\n3 0 1 2 9 9 9\n"));
}

TEST_CASE("OFF's variants are read with all their numbers counted, or refused by what they are") {
  // Geomview manual, "OFF Files": [ST][C][N][4][n]OFF [BINARY], a vertex with 3 more numbers for a normal, 4
  // for a colour (common practice: 3), 2 for texture.
  const std::string counts = " 3 1 0\n";
  const auto file = [&](const std::string& keyword, const std::string& extras) {
    return keyword + counts + "0 0 0 " + extras + "\n1 0 0 " + extras + "\n0 1 0 " + extras + "\n3 0 1 2\n";
  };
  for (const auto& [keyword, extras] :
       std::vector<std::pair<std::string, std::string>>{{"OFF", ""},
                                                        {"NOFF", "0 0 1"},
                                                        {"COFF", "1 1 1 1"},
                                                        {"COFF", "255 0 0"},
                                                        {"STOFF", "0.5 0.5"},
                                                        {"CNOFF", "1 0 0 0 0 1"},
                                                        {"STCNOFF", "1 0 0 1 0 0 1 0.5 0.5"}}) {
    INFO(keyword << " " << extras);
    const auto soup = read_off(file(keyword, extras));
    REQUIRE(soup);
    CHECK(soup->points == std::vector<Eigen::Vector3d>{{0, 0, 0}, {1, 0, 0}, {0, 1, 0}});
    CHECK(soup->triangles == std::vector<std::array<std::size_t, 3>>{{0, 1, 2}});
  }
  check(
      {{file("4OFF", "1"), 1, 1, "the vertices of \"4OFF\" are not x, y and z"},
       {file("nOFF", ""), 1, 1, "the vertices of \"nOFF\" are not x, y and z"},
       {file("ST4nOFF", "1"), 1, 1, "the vertices of \"ST4nOFF\" are not x, y and z"},
       {file("XOFF", ""), 1, 1, "an OFF file starts with OFF"},
       {"OFF BINARY\n\x01\x02", 1, 5, "withy does not read binary OFF files"},
       {"OFF\n3 1 0 0 0 0\n1 0 0\n0 1 0\n3 0 1 2\n", 2, 7, "\"0\" stands behind the numbers of vertices"},
       {"OFF\n3 1\n0 0 0\n1 0 0\n0 1 0\n3 0 1 2\n", 2, 4, "the numbers of vertices, faces and edges do not"},
       {file("OFF", "7"), 2, 6, "vertex 1 has 4 numbers"},
       {file("COFF", "1 1"), 2, 6, "vertex 1 has 5 numbers"},
       {file("NOFF", "0 0 up"), 2, 11, "\"up\" behind vertex 1 is not a number"},
       {"OFF 3 1 0\n0 0 0\n1 0 0\n0 1 0\n3 0 1 2 red\n", 5, 9, "\"red\" behind face 1 is not a number"}},
      MeshFormat::off);
}

/// The most memory that this process has held so far.
double peak_MB() {
  rusage usage{};
  getrusage(RUSAGE_SELF, &usage);
  return static_cast<double>(usage.ru_maxrss) / 1024.0;  // Linux counts kilobytes
}

TEST_CASE("No memory is set aside by a count that the file can't hold") {
  const double before_MB = peak_MB();
  // A header that claims 100 million vertices or items, in files of about a hundred bytes.
  CHECK_FALSE(read_off("OFF BINARY\n" + std::string("\x05\xf5\xe1\x00\x05\xf5\xe1\x00", 8)));
  CHECK_FALSE(read_off("OFF\n100000000 100000000 0\n0 0 0\n"));
  const std::string ply =
      "ply\nformat binary_little_endian 1.0\nelement vertex 3\nproperty float x\nproperty float y\n"
      "property float z\nelement face 1\nproperty list uint int vertex_indices\nend_header\n";
  const auto cut = read_ply(ply + std::string(36, '\0') + std::string("\x03\x00\x00\x00", 4));
  REQUIRE_FALSE(cut);
  CHECK(cut.error().problem == "the file ends within face 1 of 1");
  CHECK(peak_MB() - before_MB < 50.0);  // a point takes 24 bytes: what is claimed would take 2400 MB
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
         {body + "3 0 1 1.5\n", 13, 7, "\"1.5\" is not a whole number"},
         {body + "-3 0 1 2\n", 13, 1, "\"-3\" is not a whole number from 0"},
         {top + vertex + vertex + face + "end_header\n", 7, 9, "\"vertex\" is declared a second time"}},
        MeshFormat::ply);
  CHECK(read_ply(body + "3 0 1 2\n"));
}

TEST_CASE("A list that counts less than nothing is refused in words that say so") {
  const std::string top = "ply\nformat ";
  const std::string rest =
      " 1.0\nelement vertex 3\nproperty float x\nproperty float y\nproperty float z\nelement face 1\n"
      "property list char int vertex_indices\nend_header\n";
  const auto text = read_ply(top + "ascii" + rest + "0 0 0\n1 0 0\n0 1 0\n-3 0 1 2\n");
  REQUIRE_FALSE(text);
  CHECK(text.error().line == 13);
  CHECK(text.error().problem == "a list of face 1 of 1 counts -3 numbers");
  const auto bytes =
      read_ply(top + "binary_big_endian" + rest + std::string(36, '\0') + "\xfd" + std::string(12, '\0'));
  REQUIRE_FALSE(bytes);
  CHECK(bytes.error().problem == "a list of face 1 of 1 counts -3 numbers");
}

TEST_CASE(
    "Numbers of each type and byte order are read as their bytes say, and points keep the file's order") {
  // IEEE 754: 1.5 is 3FC00000, -2 is C000000000000000; two's complement.
  const std::string header =
      "element vertex 3\nproperty float x\nproperty uchar skipped\nproperty double y\nproperty float z\n"
      "element face 1\nproperty list ushort short marks\nproperty list uchar uint vertex_index\nend_header\n";
  const std::string one_and_a_half("\x3f\xc0\x00\x00", 4), minus_two("\xc0\x00\x00\x00\x00\x00\x00\x00", 8);
  const std::string nothing(4, '\0');
  const std::string vertex = one_and_a_half + "\x07" + minus_two + nothing;
  const std::string face = std::string("\x00\x01\xff\xff", 4) + "\x03" +
                           std::string("\x00\x00\x00\x02\x00\x00\x00\x01\x00\x00\x00\x00", 12);
  const auto soup =
      read_ply("ply\nformat binary_big_endian 1.0\n" + header + vertex + vertex + vertex + face);
  REQUIRE(soup);
  const Eigen::Vector3d point(1.5, -2.0, 0.0);
  CHECK(soup->points == std::vector<Eigen::Vector3d>{point, point, point});
  CHECK(soup->triangles == std::vector<std::array<std::size_t, 3>>{{2, 1, 0}});
}

TEST_CASE("A byte order mark before the first word is no part of it") {
  // The Unicode Standard, chapter 23.8: U+FEFF in UTF-8, as editors of text write it.
  const std::string mark = "\xef\xbb\xbf";
  const std::string rest = "0 0 0\n1 0 0\n0 1 0\n3 0 1 2\n";
  const auto binary_ply =
      "ply\nformat binary_little_endian 1.0\nelement vertex 3\nproperty float x\nproperty float y\n"
      "property float z\nelement face 1\nproperty list uchar int vertex_indices\nend_header\n" +
      std::string(36, '\0') + "\x03" + std::string("\0\0\0\0\1\0\0\0\2\0\0\0", 12);
  const std::vector<std::pair<MeshFormat, std::string>> files = {
      {MeshFormat::obj, "v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 3\n"},
      {MeshFormat::obj, "# made by hand\nv 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 3\n"},
      {MeshFormat::off, "OFF\n3 1 0\n" + rest},
      {MeshFormat::ply, binary_ply},
      {MeshFormat::stl,
       "solid a\nfacet normal 0 0 1\nouter loop\nvertex 0 0 0\nvertex 1 0 0\nvertex 1 1 0\nendloop\n"
       "endfacet\nendsolid a\n"}};
  for (const auto& [format, text] : files) {
    INFO(text);
    const auto plain = read_soup(text, format);
    const auto marked = read_soup(mark + text, format);
    REQUIRE(plain);
    REQUIRE(marked);
    CHECK(marked->points == plain->points);
    CHECK(marked->triangles == plain->triangles);
  }
  for (const std::string& wide : {std::string("\xff\xfev\0", 4), std::string("\xfe\xff\0v", 4)}) {
    const auto refused = read_soup(wide, MeshFormat::obj);
    REQUIRE_FALSE(refused);
    CHECK(refused.error().problem == "this file is text in UTF-16");
  }
  CHECK_FALSE(read_soup("v 0 0 0\n" + mark + "v 1 0 0\nv 0 1 0\nf 1 2 3\n", MeshFormat::obj));
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
