// SPDX-License-Identifier: GPL-3.0-or-later
// Folders of DICOM slices as strangers leave them, written element by element (DICOM PS3.5, 7.1;
// PS3.10, 7.1).
#include <algorithm>
#include <cmath>
#include <cstdint>
#include <cstring>
#include <fstream>
#include <map>
#include <string>

#include <catch2/catch.hpp>
#include <fmt/core.h>
#include <gdcmImageChangeTransferSyntax.h>
#include <gdcmImageReader.h>
#include <gdcmImageWriter.h>
#include <gdcmTrace.h>

#include "geometry/volume/volume.h"
#include "tests/support/run_program.h"
#include "tests/support/temporary_folder.h"

namespace {

using namespace withy;

constexpr int kRows = 15;
constexpr int kColumns = 16;
constexpr int kSlices = 8;

/// Values of a slice's elements that are not the usual ones; an empty one leaves its element out.
using Other = std::map<std::string, std::string>;

std::string two_bytes(int value) {
  return {static_cast<char>(value & 255), static_cast<char>(value >> 8)};
}

std::string element(int group, int number, const std::string& kind, std::string value) {
  if (value.size() % 2 == 1) value += kind == "UI" ? '\0' : ' ';
  const auto length = static_cast<std::uint32_t>(value.size());
  std::string out = two_bytes(group) + two_bytes(number) + kind;
  if (kind == "OW" || kind == "OB")
    out += std::string(2, '\0') + two_bytes(static_cast<int>(length & 65535U)) +
           two_bytes(static_cast<int>(length >> 16));
  else
    out += two_bytes(static_cast<int>(length));
  return out + value;
}

std::string pixels(int z) {
  std::string out;
  for (int y = 0; y < kRows; ++y)
    for (int x = 0; x < kColumns; ++x)
      out += two_bytes(static_cast<int>(std::lround(100.0 * (std::hypot(x - 7.2 - 0.1 * z, y - 6.7) - 4.1))) &
                       65535);
  return out;
}

std::string slice(int z, const Other& other = {}) {
  const auto value = [&](const char* name, const std::string& usual) {
    return other.contains(name) ? other.at(name) : usual;
  };
  const auto add = [](std::string& to, int group, int number, const char* kind, const std::string& text) {
    if (!text.empty()) to += element(group, number, kind, text);
  };
  const auto whole = [&](const char* name, int usual) {
    return two_bytes(std::stoi(value(name, std::to_string(usual))));
  };
  std::string out = std::string(128, '\0') + "DICM";
  out += element(2, 0x10, "UI", value("syntax", "1.2.840.10008.1.2.1"));
  add(out, 0x08, 0x16, "UI", "1.2.840.10008.5.1.4.1.1.2");
  add(out, 0x08, 0x18, "UI", fmt::format("2.25.{}{}", value("series", "6"), z + 1));
  add(out, 0x20, 0x0e, "UI", "2.25." + value("series", "6"));
  add(out, 0x20, 0x13, "IS", std::to_string(z + 1));
  add(out, 0x20, 0x32, "DS", value("place", fmt::format("-31\\12.5\\{:.6f}", 140.0 + 1.6 * z)));
  add(out, 0x20, 0x37, "DS", value("directions", "1\\0\\0\\0\\1\\0"));
  add(out, 0x28, 0x02, "US", whole("values", 1));
  add(out, 0x28, 0x04, "CS", "MONOCHROME2");
  add(out, 0x28, 0x08, "IS", value("frames", ""));
  add(out, 0x28, 0x10, "US", whole("rows", kRows));
  add(out, 0x28, 0x11, "US", whole("columns", kColumns));
  add(out, 0x28, 0x30, "DS", value("spacing", "0.9\\0.7"));
  for (const int number : {0x100, 0x101}) add(out, 0x28, number, "US", whole("bits", 16));
  add(out, 0x28, 0x102, "US", two_bytes(std::stoi(value("bits", "16")) - 1));
  add(out, 0x28, 0x103, "US", two_bytes(1));
  add(out, 0x28, 0x1052, "DS", "0");
  add(out, 0x28, 0x1053, "DS", value("slope", "0.01"));
  return out + element(0x7fe0, 0x10, "OW", pixels(z)) + value("behind", "");
}

/// Packs the pixels of a slice's file, by GDCM.
void pack(const std::filesystem::path& file, gdcm::TransferSyntax::TSType syntax) {
  gdcm::Trace::WarningOff();
  gdcm::ImageReader reader;
  reader.SetFileName(file.c_str());
  REQUIRE(reader.Read());
  gdcm::ImageChangeTransferSyntax change;
  change.SetTransferSyntax(syntax);
  change.SetInput(reader.GetImage());
  REQUIRE(change.Change());
  gdcm::ImageWriter writer;
  writer.SetFileName(file.c_str());
  writer.SetFile(reader.GetFile());
  writer.SetImage(change.GetOutput());
  REQUIRE(writer.Write());
}

class Folder {
 public:
  explicit Folder(const Other& other = {}) {
    for (int z = 0; z < kSlices; ++z) write(fmt::format("s{}.dcm", z), slice(z, other));
  }
  const Folder& write(const std::string& name, const std::string& bytes) const {
    std::ofstream(folder_.path() / name, std::ios::binary) << bytes;
    return *this;
  }
  auto read() const {
    VolumeSettings settings;
    settings.range = ValueRange{-100.0, 0.0};
    return read_volume_surface(folder_.path(), settings);
  }
  std::string problem() const {
    const auto made = read();
    REQUIRE_FALSE(made);
    CHECK(made.error().problem.find('\n') == std::string::npos);
    return made.error().problem;
  }
  bool says(const std::string& words) const {
    const auto made = read();
    INFO((made ? std::string() : made.error().problem));
    REQUIRE(made);
    return std::any_of(made->done.begin(), made->done.end(),
                       [&](const std::string& line) { return line.find(words) != std::string::npos; });
  }
  const std::filesystem::path& path() const { return folder_.path(); }

 private:
  withy_test::TemporaryFolder folder_;
};

}  // namespace

TEST_CASE("a folder of slices is read whatever else lies in it, and what it leaves open is said") {
  const auto plain = Folder().read();
  REQUIRE(plain);
  const Folder more;
  more.write("README.txt", "slices\n").write("empty", "").write("zeros.dcm", std::string(200, '\0'));
  more.write("t0.dcm", slice(0, {{"series", "7"}}))
      .write("picture.dcm", slice(0, {{"series", "8"}, {"values", "3"}}));
  const auto same = more.read();
  REQUIRE(same);
  REQUIRE(same->mesh.vertices.size() == plain->mesh.vertices.size());
  for (std::size_t i = 0; i < plain->mesh.vertices.size(); ++i)
    REQUIRE((same->mesh.vertices[i] - plain->mesh.vertices[i]).norm() == 0.0);
  CHECK(
      more.says("The folder holds 3 series: took the one with the most slices, the 8 from s0.dcm to s7.dcm"));
  CHECK(Folder(Other{{"spacing", ""}}).says("give no distance between pixels: took 1 mm"));
  CHECK(Folder(Other{{"directions", ""}}).says("give no directions"));
  // Their numbers and names may run the other way than their places.
  const Folder turned;
  for (int z = 0; z < kSlices; ++z) turned.write(fmt::format("s{}.dcm", z), slice(kSlices - 1 - z));
  CHECK(turned.read());
}

TEST_CASE(
    "slices that are damaged, or say what no slice does, are refused in one line that names the slice") {
  const auto refused = [](const Other& other, const std::string& words) {
    CAPTURE(words);
    CHECK(Folder(other).problem().find("the slice s0.dcm " + words) == 0);
  };
  refused({{"rows", "0"}}, "has 0 rows, 16 columns");
  refused({{"rows", "16"}}, "holds 480 of the 512 bytes of its voxels");
  refused({{"rows", "14"}}, "holds more than the 448 bytes of the voxels");
  refused({{"values", "3"}}, "has 3 values a pixel");
  refused({{"bits", "1"}}, "has pixels of 1 bits");
  refused({{"bits", "12"}}, "has pixels of 12 bits");
  refused({{"frames", "100000"}}, "holds 480 of the 48000000 bytes");
  for (const char* spacing : {"0\\0", "-0.9\\0.7", "nan\\0.7", "abc\\0.7", "0.9", "1e300\\0.7"})
    refused({{"spacing", spacing}}, fmt::format("gives the distances \"{}\" between its pixels", spacing));
  for (const char* directions : {"0\\0\\0\\0\\0\\0", "1\\0\\0\\1\\0\\0", "nan\\0\\0\\0\\1\\0", "1\\0\\0"})
    refused({{"directions", directions}}, fmt::format("gives the directions \"{}\"", directions));
  refused({{"place", "nan\\0\\0"}}, "gives the place \"nan\\0\\0\"");
  refused({{"place", ""}}, "gives no place");
  refused({{"place", "1\\2\\3"}}, "and the slice s1.dcm lie at one place");
  refused({{"slope", "nan"}}, "scales or shifts its values by \"nan\"");
  refused({{"syntax", "1.2.840.10008.1.2.5"}}, "says that its pixels are packed, and they are not");
  refused({{"syntax", "9.9"}}, "is of the transfer syntax \"9.9\", which withy does not read");
  refused({{"behind", std::string(4, '\0')}}, "holds a DICOM element that is not whole");
  const auto one = [](int z, const std::string& bytes) {
    return Folder().write(fmt::format("s{}.dcm", z), bytes).problem();
  };
  CHECK(one(3, slice(3).substr(0, 200)).find("the slice s3.dcm holds a DICOM element that is not whole") ==
        0);
  CHECK(one(3, slice(3).substr(0, 140)).find("the slice s3.dcm holds a DICOM element that is not whole") ==
        0);
  CHECK(
      one(3, slice(3).substr(0, slice(3).size() - 100)).find("the slice s3.dcm ends before its pixels do") ==
      0);
  CHECK(one(3, slice(3, {{"spacing", "1.9\\1.7"}}))
            .find("the slice s3.dcm has other distances between its pixels") == 0);
  CHECK(one(3, slice(3, {{"directions", "0\\1\\0\\0\\0\\1"}})).find("lies in other directions") !=
        std::string::npos);
}

TEST_CASE("slices that are missing or uneven are refused by the two that lie too far apart") {
  const auto problem = [](int left_out, double more_mm) {
    const Folder folder;
    for (int z = 0; z < kSlices; ++z) {
      if (z == left_out) std::filesystem::remove(folder.path() / fmt::format("s{}.dcm", z));
      if (z != left_out && z > 4)
        folder.write(fmt::format("s{}.dcm", z),
                     slice(z, {{"place", fmt::format("-31\\12.5\\{:.6f}", 140.0 + 1.6 * z + more_mm)}}));
    }
    return folder.problem();
  };
  CHECK(
      problem(2, 0.0) ==
      "slices are missing or unevenly spaced: the slice s1.dcm and the slice s3.dcm lie 3.2 mm apart, others "
      "1.6 mm");
  CHECK(problem(-1, 0.4) ==
        "slices are missing or unevenly spaced: the slice s4.dcm and the slice s5.dcm lie 2 mm apart, others "
        "1.6 mm");
  CHECK(problem(2, 0.4).find("(2 of 6 steps are uneven)") != std::string::npos);
}

TEST_CASE("packed slices give the surface of plain ones, and damaged ones are named") {
  const auto plain = Folder().read();
  REQUIRE(plain);
  using gdcm::TransferSyntax;
  for (const auto syntax : {TransferSyntax::RLELossless, TransferSyntax::JPEGLosslessProcess14_1,
                            TransferSyntax::JPEGLSLossless, TransferSyntax::JPEG2000Lossless}) {
    CAPTURE(TransferSyntax::GetTSString(syntax));
    const Folder folder;
    for (int z = 0; z < kSlices; ++z) pack(folder.path() / fmt::format("s{}.dcm", z), syntax);
    const auto same = folder.read();
    REQUIRE(same);
    REQUIRE(same->mesh.vertices.size() == plain->mesh.vertices.size());
    for (std::size_t i = 0; i < plain->mesh.vertices.size(); ++i)
      REQUIRE((same->mesh.vertices[i] - plain->mesh.vertices[i]).norm() == 0.0);
    const std::string packed = withy_test::read_text(folder.path() / "s3.dcm");
    folder.write("s3.dcm", packed.substr(0, packed.size() - 40));
    CHECK(folder.problem().find("the slice s3.dcm holds a DICOM element that is not whole") == 0);
    std::string damaged = packed;
    for (std::size_t i = damaged.find("\xe0\x7f\x10") + 60; i + 10 < damaged.size(); ++i)
      damaged[i] = static_cast<char>(37 * i + 11);
    folder.write("s3.dcm", damaged);
    CHECK(folder.problem().find("the slice s3.dcm can't be read") == 0);
  }
}

TEST_CASE("withy scene ends with status 2 and one line where a slice is damaged") {
  const Folder folder;
  folder.write("s4.dcm", slice(4).substr(0, 200));
  const auto run = withy_test::run_program(WITHY_PROGRAM, {"scene", ".", "--range", "-100", "0", "-o", "out"},
                                           folder.path());
  CHECK(run.status == 2);
  CHECK(run.out.empty());
  CHECK(run.err.find("the slice s4.dcm") != std::string::npos);
  CHECK(std::count(run.err.begin(), run.err.end(), '\n') == 1);
  CHECK_FALSE(std::filesystem::exists(folder.path() / "out"));
}
