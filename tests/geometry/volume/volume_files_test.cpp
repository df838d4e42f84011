// SPDX-License-Identifier: GPL-3.0-or-later
// Files as strangers leave them: damaged, with headers that say something else than their voxels, and in the
// variants that the formats have (NRRD: "Definition of NRRD File Format", Teem; MetaImage: ITK's
// documentation of MetaIO; NIfTI: nifti1.h, nifti2.h). What is sound gives the surface of the same volume as
// plain NRRD.
#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <cstring>
#include <fstream>
#include <functional>
#include <limits>
#include <map>
#include <set>
#include <string>
#include <tuple>
#include <type_traits>
#include <utility>
#include <vector>

#include <catch2/catch.hpp>
#include <fmt/core.h>
#include <zlib.h>

#include "geometry/mesh/mesh_checks.h"
#include "geometry/volume/volume.h"
#include "tests/support/run_program.h"
#include "tests/support/temporary_folder.h"

namespace {

using Eigen::Vector3d;
using namespace withy;

constexpr std::array<int, 3> kSize = {16, 15, 12};
constexpr std::size_t kVoxels = 16 * 15 * 12;
constexpr double kNaN = std::numeric_limits<double>::quiet_NaN();

/// A slanting tube, below 0 inside.
double tube(int x, int y, int z) {
  return std::hypot(x - 7.2 - 0.1 * z, y - 6.7) - 4.1;
}

/// The tube's voxels as numbers of one type, in either order of bytes.
template <class Number>
std::string voxels(double scale = 1.0, bool big_endian = false) {
  std::string bytes;
  for (int z = 0; z < kSize[2]; ++z)
    for (int y = 0; y < kSize[1]; ++y)
      for (int x = 0; x < kSize[0]; ++x) {
        const double value = scale * tube(x, y, z);
        const auto number = static_cast<Number>(std::is_integral_v<Number> ? std::round(value) : value);
        std::array<char, sizeof number> own;
        std::memcpy(own.data(), &number, sizeof number);
        if (big_endian) std::reverse(own.begin(), own.end());
        bytes.append(own.data(), own.size());
      }
  return bytes;
}

std::string as_words() {
  std::string text;
  for (int z = 0; z < kSize[2]; ++z)
    for (int y = 0; y < kSize[1]; ++y)
      for (int x = 0; x < kSize[0]; ++x) text += fmt::format("{}\n", static_cast<float>(tube(x, y, z)));
  return text;
}

/// Packed by zlib as a zlib stream or, with 16 more window bits, as gzip (zlib.h).
std::string packed(const std::string& bytes, bool gzip = true) {
  z_stream zlib{};
  REQUIRE(deflateInit2(&zlib, 6, Z_DEFLATED, MAX_WBITS + (gzip ? 16 : 0), 8, Z_DEFAULT_STRATEGY) == Z_OK);
  std::string out(deflateBound(&zlib, bytes.size()) + 64, '\0');
  zlib.next_in = reinterpret_cast<Bytef*>(const_cast<char*>(bytes.data()));
  zlib.avail_in = static_cast<uInt>(bytes.size());
  zlib.next_out = reinterpret_cast<Bytef*>(out.data());
  zlib.avail_out = static_cast<uInt>(out.size());
  REQUIRE(deflate(&zlib, Z_FINISH) == Z_STREAM_END);
  out.resize(zlib.total_out);
  deflateEnd(&zlib);
  return out;
}

using Fields = std::map<std::string, std::string>;

/// Fields with others put in their place; an empty one is left out.
Fields with(Fields fields, const Fields& others) {
  for (const auto& [name, value] : others) {
    fields[name] = value;
    if (value.empty()) fields.erase(name);
  }
  return fields;
}

std::string nrrd(const Fields& others = {}) {
  const Fields fields = with({{"type", "float"},
                              {"dimension", "3"},
                              {"sizes", "16 15 12"},
                              {"endian", "little"},
                              {"encoding", "raw"},
                              {"spacings", "0.7 0.9 1.6"}},
                             others);
  std::string text = "NRRD0004\n";
  for (const char* first : {"type", "dimension"})
    if (fields.contains(first)) text += fmt::format("{}: {}\n", first, fields.at(first));
  for (const auto& [name, value] : fields)
    if (name != "type" && name != "dimension" && name != "data file")
      text += fmt::format("{}: {}\n", name, value);
  if (fields.contains("data file")) text += "data file: " + fields.at("data file") + "\n";
  return text + "\n";
}

std::string meta(const std::string& data, const Fields& others = {}) {
  const Fields fields = with({{"NDims", "3"},
                              {"BinaryData", "True"},
                              {"BinaryDataByteOrderMSB", "False"},
                              {"CompressedData", "False"},
                              {"ElementSpacing", "0.7 0.9 1.6"},
                              {"DimSize", "16 15 12"},
                              {"ElementType", "MET_FLOAT"}},
                             others);
  std::string text = "ObjectType = Image\n";
  if (fields.contains("NDims")) text += "NDims = " + fields.at("NDims") + "\n";
  for (const auto& [name, value] : fields)
    if (name != "NDims") text += fmt::format("{} = {}\n", name, value);
  return text + "ElementDataFile = " + data + "\n";
}

/// A NIfTI-1 header; `big_endian`: with its bytes in the other order.
class Nifti {
 public:
  explicit Nifti(bool big_endian = false) : big_endian_(big_endian) {
    put(0, std::int32_t{348});
    sizes({3, 16, 15, 12, 1, 1, 1, 1});
    type(16, 32);
    put(76, 1.0F);
    spacing(0.7, 0.9, 1.6);
    put(108, 352.0F);
    header_[123] = 2;
    std::memcpy(header_.data() + 344, "n+1", 4);
  }

  template <class T>
  Nifti& put(std::size_t at, T value) {
    auto* to = header_.data() + at;
    std::memcpy(to, &value, sizeof value);
    if (big_endian_) std::reverse(to, to + sizeof value);
    return *this;
  }
  Nifti& sizes(const std::array<int, 8>& dim) {
    for (std::size_t k = 0; k < 8; ++k) put(40 + 2 * k, static_cast<std::int16_t>(dim[k]));
    return *this;
  }
  Nifti& type(int code, int bits) {
    return put(70, static_cast<std::int16_t>(code)).put(72, static_cast<std::int16_t>(bits));
  }
  Nifti& spacing(double x, double y, double z) {
    return put(80, static_cast<float>(x)).put(84, static_cast<float>(y)).put(88, static_cast<float>(z));
  }
  /// sform_code 1 and its rows, in NIfTI's own axes.
  Nifti& rows(const Eigen::Matrix<double, 3, 4>& m) {
    put(254, std::int16_t{1});
    for (int row = 0; row < 3; ++row)
      for (int k = 0; k < 4; ++k)
        put(280 + 4 * static_cast<std::size_t>(4 * row + k), static_cast<float>(m(row, k)));
    return *this;
  }
  Nifti& unit(char code) {
    header_[123] = code;
    return *this;
  }
  std::string text(const std::string& data) const { return header_ + data; }

 private:
  std::string header_ = std::string(352, '\0');
  bool big_endian_;
};

class Files {
 public:
  const Files& write(const std::string& name, const std::string& bytes) const {
    std::ofstream(folder_.path() / name, std::ios::binary) << bytes;
    return *this;
  }
  auto read(const std::string& name) const {
    VolumeSettings settings;
    settings.range = ValueRange{-1000.0, 0.0};
    return read_volume_surface(folder_.path() / name, settings);
  }
  /// The surface of a sound file, and what was said of it.
  VolumeSurface sound(const std::string& name) const {
    CAPTURE(name);
    const auto made = read(name);
    INFO((made ? std::string() : made.error().problem));
    REQUIRE(made);
    return *made;
  }
  VolumeSurface sound(const std::string& name, const std::string& bytes) const {
    return write(name, bytes).sound(name);
  }
  VolumeRefusal refused(const std::string& name) const {
    CAPTURE(name);
    const auto made = read(name);
    REQUIRE_FALSE(made);
    CHECK(made.error().problem.find('\n') == std::string::npos);
    CHECK_FALSE(made.error().remedy.empty());
    return made.error();
  }
  std::string problem(const std::string& name, const std::string& bytes) const {
    return write(name, bytes).refused(name).problem;
  }
  const std::filesystem::path& path() const { return folder_.path(); }

 private:
  withy_test::TemporaryFolder folder_;
};

/// The farthest that two surfaces' vertices are apart, one by one.
double apart(const TriangleMesh& a, const TriangleMesh& b) {
  REQUIRE(a.vertices.size() == b.vertices.size());
  REQUIRE(a.triangles.size() == b.triangles.size());
  double most = 0.0;
  for (std::size_t i = 0; i < a.vertices.size(); ++i)
    most = std::max(most, (a.vertices[i] - b.vertices[i]).norm());
  return most;
}

bool says(const VolumeSurface& surface, const std::string& words) {
  return std::any_of(surface.done.begin(), surface.done.end(),
                     [&](const std::string& line) { return line.find(words) != std::string::npos; });
}

std::string flipped(std::string bytes, std::size_t at) {
  bytes[at] = static_cast<char>(bytes[at] ^ 0x55);
  return bytes;
}

constexpr const char* kDamaged = "has packed voxels that do not unpack, or do not agree with their check sum";

}  // namespace

TEST_CASE("the formats' variants give the surface of the plain volume") {
  const Files files;
  const std::string raw = voxels<float>();
  const TriangleMesh plain = files.sound("plain.nrrd", nrrd() + raw).mesh;
  const auto same = [&](const std::string& name, const std::string& bytes) {
    CAPTURE(name);
    CHECK(apart(files.sound(name, bytes).mesh, plain) < 1e-5);
  };
  same("big.nrrd", nrrd({{"endian", "big"}}) + voxels<float>(1.0, true));
  same("gzip.nrrd", nrrd({{"encoding", "gzip"}}) + packed(raw));
  same("words.nrrd", nrrd({{"encoding", "ascii"}}) + as_words());
  std::string hex;
  for (const unsigned char c : raw) hex += fmt::format("{:02x}", c);
  same("hex.nrrd", nrrd({{"encoding", "hex"}}) + hex);
  files.write("all.raw", raw).write("behind.raw", "ab\ncd\n" + raw).write("all.raw.gz", packed(raw));
  same("apart.nhdr", nrrd({{"data file", "all.raw"}}));
  same("apart-gzip.nhdr", nrrd({{"data file", "all.raw.gz"}, {"encoding", "gz"}}));
  same("last.nhdr", nrrd({{"data file", "behind.raw"}, {"byte skip", "-1"}}));
  same("skipped.nhdr", nrrd({{"data file", "behind.raw"}, {"line skip", "1"}, {"byte skip", "3"}}));
  std::string list;
  for (int z = 0; z < kSize[2]; ++z) {
    files.write(fmt::format("slice{:02}.raw", z), raw.substr(static_cast<std::size_t>(z) * 960, 960));
    list += fmt::format("slice{:02}.raw\n", z);
  }
  std::string listed = nrrd({{"data file", "LIST"}});
  listed.pop_back();
  same("list.nhdr", listed + list);
  same("pattern.nhdr", nrrd({{"data file", "slice%02d.raw 0 11 1"}}));
  same("plain.mha", meta("LOCAL") + raw);
  same("big.mha", meta("LOCAL", {{"BinaryDataByteOrderMSB", "True"}}) + voxels<float>(1.0, true));
  same("four.mha",
       meta("LOCAL", {{"NDims", "4"}, {"DimSize", "16 15 12 1"}, {"ElementSpacing", "0.7 0.9 1.6 1"}}) + raw);
  const std::string zlib = packed(raw, false);
  const Fields sized = {{"CompressedData", "True"}, {"CompressedDataSize", std::to_string(zlib.size())}};
  same("packed.mha", meta("LOCAL", sized) + zlib);
  same("sizeless.mha", meta("LOCAL", {{"CompressedData", "True"}}) + zlib);
  same("words.mha", meta("LOCAL", {{"BinaryData", "False"}}) + as_words());
  same("apart.mhd", meta("all.raw"));
  same("last.mhd", meta("behind.raw", {{"HeaderSize", "-1"}}));
  same("skipped.mhd", meta("behind.raw", {{"HeaderSize", "6"}}));
  files.write("all.zraw", zlib);
  same("packed.mhd", meta("all.zraw", sized));
  same("list.mhd", meta("LIST") + list);
  same("pattern.mhd", meta("slice%02d.raw 0 11 1"));
  std::filesystem::create_symlink("apart.mhd", files.path() / "link.mhd");
  CHECK(apart(files.sound("link.mhd").mesh, plain) == 0.0);
  std::filesystem::rename(files.path() / "all.raw", files.path() / "größe ✓.raw");
  same("größe ✓.mhd", meta("größe ✓.raw"));
  same("größe ✓.nhdr", nrrd({{"data file", "größe ✓.raw"}}));
}

// nifti1.h: "METHOD 1" to "METHOD 3", xyzt_units, scl_slope. Its x and y run the other way than LPS.
TEST_CASE("NIfTI's variants give the surface of the plain volume, and what they leave open is said") {
  const Files files;
  const std::string raw = voxels<float>();
  TriangleMesh plain = files.sound("plain.nrrd", nrrd() + raw).mesh;
  for (Vector3d& v : plain.vertices) v.head<2>() *= -1.0;
  const auto same = [&](const std::string& name, const std::string& bytes) {
    CAPTURE(name);
    VolumeSurface surface = files.sound(name, bytes);
    CHECK(apart(surface.mesh, plain) < 1e-4);
    return surface;
  };
  CHECK_FALSE(says(same("plain.nii", Nifti().text(raw)), "unit"));
  same("big.nii", Nifti(true).text(voxels<float>(1.0, true)));
  same("four.nii", Nifti().sizes({4, 16, 15, 12, 1, 1, 1, 1}).text(raw));
  same("behind.nii", Nifti().put(108, 368.0F).text(std::string(16, 'x') + raw));
  same("double.nii", Nifti().type(64, 64).text(voxels<double>()));
  // Several gzip streams in a row are one, and zeros fill up blocks (RFC 1952, and gzip's manual).
  const std::string all = Nifti().text(raw);
  same("two.nii.gz", packed(all.substr(0, 5000)) + packed(all.substr(5000)) + std::string(512, '\0'));
  same("größe ✓.NII.GZ", packed(all));
  // Values: a millionth of whole numbers, in both orders; a slope of 0 is none, whatever stands beside it.
  for (const bool big : {false, true})
    same(big ? "slope-big.nii" : "slope.nii",
         Nifti(big).type(8, 32).put(112, 1e-6F).text(voxels<std::int32_t>(1e6, big)));
  same("no-slope.nii", Nifti().put(112, 0.0F).put(116, 1000.0F).text(raw));
  // Lengths in another unit.
  CHECK(says(same("m.nii", Nifti().unit(1).spacing(0.0007, 0.0009, 0.0016).text(raw)),
             "are in m: converted to mm"));
  CHECK(
      says(same("um.nii", Nifti().unit(3).spacing(700, 900, 1600).text(raw)), "are in µm: converted to mm"));
  CHECK(says(same("none.nii", Nifti().unit(0).text(raw)), "names no unit of length: took mm"));
  same("time.nii", Nifti().unit(2 + 8).text(raw));
  Eigen::Matrix<double, 3, 4> rows = Eigen::Matrix<double, 3, 4>::Zero();
  rows.diagonal() << 0.0007, 0.0009, 0.0016;
  same("m-rows.nii", Nifti().unit(1).spacing(0.0007, 0.0009, 0.0016).rows(rows).text(raw));
  // Its rows are the placement where they are set, whatever its spacings are.
  rows *= 1000.0;
  const VolumeSurface other = same("rows.nii", Nifti().spacing(1, 1, 1).rows(rows).text(raw));
  CHECK(says(other, "voxels of 1 x 1 x 1 mm and an sform of 0.7 x 0.9 x 1.6 mm: took the sform"));
  // A quaternion beside the rows is said where it places voxels elsewhere: here 5 mm off.
  const auto both = [&](float x) {
    return Nifti().rows(rows).put(252, std::int16_t{1}).put(268, x).text(raw);
  };
  CHECK(says(same("other-quaternion.nii", both(5.0F)),
             "qform places voxels up to 5 mm from where its sform does: took the sform"));
  CHECK_FALSE(says(same("same-quaternion.nii", both(0.0F)), "qform"));
  // By a quaternion: half a turn about z, and the third axis the other way round where pixdim[0] is -1.
  for (const float side : {1.0F, -1.0F}) {
    TriangleMesh turned = plain;
    for (Vector3d& v : turned.vertices)
      v = Vector3d(-v.x() - 1.0, -v.y() - 2.0, static_cast<double>(side) * v.z() + 3.0);
    Nifti nifti;
    nifti.put(76, side).put(252, std::int16_t{1}).put(264, 1.0F).put(268, 1.0F).put(272, 2.0F).put(276, 3.0F);
    CHECK(apart(files.sound("quaternion.nii", nifti.text(raw)).mesh, turned) < 1e-4);
  }
}

// nifti2.h: 540 bytes, dim of eight bytes at 16, pixdim of eight at 104, vox_offset at 168, xyzt_units at
// 500.
TEST_CASE("NIfTI-2 is read in both orders of bytes") {
  const Files files;
  TriangleMesh plain = files.sound("plain.nrrd", nrrd() + voxels<float>()).mesh;
  for (Vector3d& v : plain.vertices) v.head<2>() *= -1.0;
  for (const bool big : {false, true}) {
    std::string header(544, '\0');
    const auto put = [&](std::size_t at, auto value) {
      std::memcpy(header.data() + at, &value, sizeof value);
      if (big) std::reverse(header.data() + at, header.data() + at + sizeof value);
    };
    put(0, std::int32_t{540});
    std::memcpy(header.data() + 4, "n+2\0\r\n\032\n", 8);
    put(12, std::int16_t{16});
    put(14, std::int16_t{32});
    const std::array<std::int64_t, 8> dim = {3, 16, 15, 12, 1, 1, 1, 1};
    for (std::size_t k = 0; k < 8; ++k) put(16 + 8 * k, dim[k]);
    const std::array<double, 4> pixdim = {1.0, 0.0007, 0.0009, 0.0016};
    for (std::size_t k = 0; k < 4; ++k) put(104 + 8 * k, pixdim[k]);
    put(168, std::int64_t{544});
    put(500, std::int32_t{1});
    const VolumeSurface surface = files.sound("two.nii", header + voxels<float>(1.0, big));
    CHECK(apart(surface.mesh, plain) < 1e-4);
    CHECK(says(surface, "are in m: converted to mm"));
    put(168, std::int64_t{352});
    CHECK(files.problem("two.nii", header + voxels<float>(1.0, big))
              .starts_with("its header has the voxels begin"));
  }
}

TEST_CASE("packed voxels that are damaged, cut short or too many are refused, whatever their format") {
  const Files files;
  const std::string raw = voxels<float>();
  struct Format {
    std::string name;
    std::string head;   ///< that is not packed
    std::string inner;  ///< that is packed before the voxels
    bool gzip;
  };
  const std::vector<Format> formats = {{"a.nii.gz", "", Nifti().text(""), true},
                                       {"a.nrrd", nrrd({{"encoding", "gzip"}}), "", true},
                                       {"a.mha", meta("LOCAL", {{"CompressedData", "True"}}), "", false}};
  for (const Format& format : formats) {
    CAPTURE(format.name);
    const std::string whole = packed(format.inner + raw, format.gzip);
    files.sound(format.name, format.head + whole);
    const auto problem = [&](const std::string& bytes) {
      return files.problem(format.name, format.head + bytes);
    };
    // Every part: deflated data, check sum, and of gzip the length (RFC 1952: the last eight bytes).
    for (const std::size_t at :
         {whole.size() / 4, whole.size() / 2, whole.size() - 9, whole.size() - 6, whole.size() - 1}) {
      CAPTURE(at);
      // Where the end's own code is hit the voxels do not end.
      const std::string said = problem(flipped(whole, at));
      CHECK((said.find(kDamaged) != std::string::npos ||
             said.find("ends before its packed voxels do") != std::string::npos));
    }
    for (const std::size_t length : {std::size_t{12}, whole.size() / 2, whole.size() - 1})
      CHECK(problem(whole.substr(0, length)).find("ends before its packed voxels do") != std::string::npos);
    CHECK(problem(whole + "some more").find("goes on after its packed voxels") != std::string::npos);
    CHECK(problem(packed(format.inner + raw + std::string(40, '\1'), format.gzip))
              .find("holds more than the 11520 bytes of the voxels") != std::string::npos);
    CHECK(
        problem(packed(format.inner + raw.substr(40), format.gzip)).find("holds 11480 of the 11520 bytes") !=
        std::string::npos);
  }
}

TEST_CASE("a packed MetaImage whose header has another length of it is refused") {
  const Files files;
  const std::string zlib = packed(voxels<float>(), false);
  files.write("a.zraw", zlib);
  for (const double more : {-10.0, 10.0, 1e14})
    for (const char* data : {"LOCAL", "a.zraw"}) {
      CAPTURE(more, data);
      const std::string said = fmt::format("{:.0f}", static_cast<double>(zlib.size()) + more);
      const std::string header = meta(data, {{"CompressedData", "True"}, {"CompressedDataSize", said}});
      files.write("a.mhd", header + (std::string(data) == "LOCAL" ? zlib : ""));
      const VolumeRefusal refusal = files.refused("a.mhd");
      CHECK(refusal.problem.find(fmt::format("its header gives {} bytes of packed voxels, and", said)) == 0);
      CHECK(refusal.remedy.find(fmt::format("CompressedDataSize = {}", zlib.size())) != std::string::npos);
    }
  CHECK(
      files.problem("b.mha", meta("LOCAL", {{"CompressedData", "True"}, {"CompressedDataSize", "-5"}}) + zlib)
          .find("its header gives \"CompressedDataSize = -5\"") == 0);
}

TEST_CASE("a file that a header names and that is not there, or not as it should be, is named") {
  const Files files;
  const std::string raw = voxels<float>();
  files.write("long.raw", raw + "abcd").write("short.raw", raw.substr(4)).write("none.raw", "");
  for (int z = 0; z < kSize[2]; ++z)
    if (z != 7) files.write(fmt::format("s{}.raw", z), raw.substr(static_cast<std::size_t>(z) * 960, 960));
  std::string list;
  for (int z = 0; z < kSize[2]; ++z) list += fmt::format("s{}.raw\n", z);
  std::string listed = nrrd({{"data file", "LIST"}});
  listed.pop_back();
  const auto check = [&](const std::string& name, const std::string& text, int line,
                         const std::string& problem) {
    CAPTURE(name);
    const VolumeRefusal refusal = files.write(name, text).refused(name);
    CHECK(refusal.problem.find(problem) == 0);
    CHECK(refusal.line == line);
  };
  const auto nhdr = [](const std::string& data) { return nrrd({{"data file", data}}); };
  check("a.nhdr", nhdr("gone.raw"), 8, "its header names gone.raw for its voxels, and there is no such file");
  check("a.mhd", meta("gone.raw"), 9, "its header names gone.raw for its voxels, and there is no such file");
  check("list.nhdr", listed + list, 16, "its header names s7.raw for its voxels, and there is no such file");
  check("list.mhd", meta("LIST") + list, 17,
        "its header names s7.raw for its voxels, and there is no such file");
  check("numbers.nhdr", nhdr("s%d.raw 0 11 1"), 8, "its header names s7.raw for its voxels");
  check("numbers.mhd", meta("s%d.raw 0 11 1"), 9, "its header names s7.raw for its voxels");
  check("few.nhdr", listed + "s0.raw\ns1.raw\n", 8, "its header lists 2 files, where its sizes make 12");
  check("few.mhd", meta("LIST") + "s0.raw\ns1.raw\n", 9, "its header lists 2 files, where its sizes make 12");
  check("many.nhdr", listed + list + "s0.raw\n", 8, "its header lists more than 12 files");
  check("many.mhd", meta("LIST") + list + "s0.raw\n", 9, "its header lists more than 12 files");
  // Its reader has 255 bytes for a name, 500 for a value, and reads on behind a zero byte.
  const std::string longer = "a line of its header is too long";
  check("name.mhd", std::string(300, 'x') + " = 1\n" + meta("s%d.raw 0 11 1"), 1, longer);
  check("value.mhd", "Comment = " + std::string(600, 'x') + "\n" + meta("s%d.raw 0 11 1"), 1, longer);
  check("zero.mhd", "ObjectType = Image\nx" + std::string(1, '\0') + " = 1\n" + meta("s%d.raw 0 11 1"), 2,
        "a line of its header holds bytes that are no text");
  check("short.mhd", meta("s%d.raw 0 10 1"), 9,
        "its header gives \"ElementDataFile = s%d.raw 0 10 1\", which names 11 files");
  check("still.nhdr", nhdr("s%d.raw 0 11 0"), 8, "its header gives \"data file: s%d.raw 0 11 0\"");
  // A name is no pattern of anything else.
  check("words.mhd", meta("%s%n.raw 0 11 1"), 9, "its header gives \"ElementDataFile = %s%n.raw 0 11 1\"");
  check("words.nhdr", nhdr("%s%n.raw 0 11 1"), 8, "its header gives \"data file: %s%n.raw 0 11 1\"");
  for (const auto& [name, text, line] :
       {std::tuple(std::string("b.nhdr"), std::function(nhdr), 8),
        std::tuple(std::string("b.mhd"), std::function([](const std::string& data) { return meta(data); }),
                   9)}) {
    check(name, text("long.raw"), line, "long.raw holds more than the 11520 bytes of the voxels");
    check(name, text("short.raw"), line, "short.raw holds 11516 of the 11520 bytes");
    check(name, text("none.raw"), line, "none.raw holds 0 of the 11520 bytes");
    check(name, text("."), line, "its header names . for its voxels, which is no file");
    check(name, text("/dev/zero"), line, "its header names /dev/zero for its voxels, which is no file");
  }
}

TEST_CASE("voxels that are fewer or more than a header's sizes are refused, also where they are not packed") {
  const Files files;
  const std::string raw = voxels<float>();
  const std::string more = "holds more than the 11520 bytes";
  CHECK(files.problem("a.nrrd", nrrd() + raw + "abcd").find(more) != std::string::npos);
  CHECK(files.problem("a.mha", meta("LOCAL") + raw + "abcd").find(more) != std::string::npos);
  CHECK(files.problem("a.nii", Nifti().text(raw + "abcd")).find(more) != std::string::npos);
  CHECK(files.problem("b.nrrd", nrrd({{"encoding", "ascii"}}) + as_words() + "1\n").find(more) !=
        std::string::npos);
  CHECK(files.problem("b.mha", meta("LOCAL", {{"BinaryData", "False"}}) + as_words() + "1\n").find(more) !=
        std::string::npos);
  const std::string fewer = as_words().substr(0, as_words().size() - 12);
  CHECK(files.problem("c.mha", meta("LOCAL", {{"BinaryData", "False"}}) + fewer).find("of the 11520 bytes") !=
        std::string::npos);
  CHECK(files.problem("c.nrrd", nrrd({{"encoding", "ascii"}}) + fewer + " some\n")
            .find("holds \"some\" where a voxel's number") != std::string::npos);
  CHECK(files.problem("d.nrrd", nrrd({{"encoding", "hex"}}) + "0f0g").find("no digit from 0 to f") !=
        std::string::npos);
}

TEST_CASE("sizes, types and places that no volume has are refused in one line, whatever the format") {
  const Files files;
  const std::string raw = voxels<float>();
  const auto in_nrrd = [&](const Fields& fields) { return files.problem("a.nrrd", nrrd(fields) + raw); };
  const auto in_meta = [&](const Fields& fields) {
    return files.problem("a.mha", meta("LOCAL", fields) + raw);
  };
  for (const char* sizes : {"16 0 12", "16 -15 12", "16.5 15 12", "16 15", "16 15 12 1", "a b c",
                            "99999999999999999999999 15 12"}) {
    CAPTURE(sizes);
    const bool over = std::string(sizes).starts_with('9');
    CHECK(in_nrrd({{"sizes", sizes}})
              .find(over ? "its header gives 1.8e+25 voxels"
                         : fmt::format("its header gives \"sizes: {}\"", sizes)) == 0);
    CHECK(in_meta({{"DimSize", sizes}})
              .find(over ? "its header gives 1.8e+25 voxels"
                         : fmt::format("its header gives \"DimSize = {}\"", sizes)) == 0);
  }
  for (const char* axes : {"0", "-3", "99", "three"}) {
    CHECK(in_nrrd({{"dimension", axes}}) == fmt::format("its header gives \"dimension: {}\"", axes));
    CHECK(in_meta({{"NDims", axes}}) == fmt::format("its header gives \"NDims = {}\"", axes));
  }
  CHECK(in_nrrd({{"dimension", "2"}, {"sizes", "240 12"}, {"spacings", ""}})
            .starts_with("this has 2 dimensions"));
  CHECK(in_nrrd({{"dimension", "4"}, {"sizes", "16 15 4 3"}, {"spacings", ""}})
            .starts_with("this has 4 dimensions"));
  CHECK(in_meta({{"NDims", "2"}, {"DimSize", "240 12"}, {"ElementSpacing", ""}})
            .starts_with("this has 2 dimensions and 1 value a voxel"));
  CHECK(
      in_meta({{"ElementNumberOfChannels", "3"}}).starts_with("this has 3 dimensions and 3 values a voxel"));
  CHECK(in_nrrd({{"type", "quux"}}).starts_with("its header gives \"type: quux\""));
  CHECK(in_nrrd({{"type", "block"}}).starts_with("its header gives \"type: block\""));
  CHECK(in_meta({{"ElementType", "MET_QUUX"}}).starts_with("its header gives \"ElementType = MET_QUUX\""));
  CHECK(in_nrrd({{"encoding", "bzip2"}})
            .starts_with("its header gives \"encoding: bzip2\", which withy does not read"));
  CHECK(in_nrrd({{"endian", ""}}) == "its header has no field \"endian\"");
  for (const char* spacing : {"0 0.9 1.6", "-0.7 0.9 1.6", "nan 0.9 1.6", "0.7 0.9", "x 0.9 1.6",
                              "1e300 0.9 1.6", "1e-300 0.9 1.6"}) {
    CAPTURE(spacing);
    CHECK(in_nrrd({{"spacings", spacing}}) ==
          fmt::format("its header gives \"spacings: {}\", no distances between voxels", spacing));
    CHECK(in_meta({{"ElementSpacing", spacing}}) ==
          fmt::format("its header gives \"ElementSpacing = {}\", no distances between voxels", spacing));
  }
  for (const char* axes :
       {"(0,0,0) (0,1,0) (0,0,1)", "(1,0,0) (1,0,0) (0,0,1)", "(nan,0,0) (0,1,0) (0,0,1)", "(1,0,0)"})
    CHECK(in_nrrd({{"spacings", ""}, {"space", "LPS"}, {"space directions", axes}})
              .find("no axes of a volume") != std::string::npos);
  for (const char* axes : {"0 0 0 0 0 0 0 0 0", "1 0 0 1 0 0 0 0 1", "nan 0 0 0 1 0 0 0 1", "1 0 0"})
    CHECK(in_meta({{"TransformMatrix", axes}}).find("no axes of a volume") != std::string::npos);
  CHECK(in_meta({{"Offset", "nan 0 0"}}).find("no place") != std::string::npos);
  CHECK(in_nrrd({{"spacings", ""},
                 {"space", "LPS"},
                 {"space directions", "(1,0,0) (0,1,0) (0,0,1)"},
                 {"space origin", "(1e300,0,0)"}})
            .find("no place") != std::string::npos);
}

// dim at 40, datatype at 70, bitpix at 72, pixdim at 76, scl_slope at 112, magic at 344 (nifti1.h).
TEST_CASE("sizes, types and places that no NIfTI file has are refused in one line") {
  const Files files;
  const std::string raw = voxels<float>();
  const auto problem = [&](const Nifti& nifti) { return files.problem("a.nii", nifti.text(raw)); };
  CHECK(problem(Nifti().sizes({3, 16, -15, 12, 1, 1, 1, 1})) ==
        "its header gives a size of 16 x -15 x 12 voxels");
  CHECK(problem(Nifti().sizes({3, 16, 0, 12, 1, 1, 1, 1})) ==
        "its header gives a size of 16 x 0 x 12 voxels");
  CHECK(problem(Nifti().sizes({0, 16, 15, 12, 1, 1, 1, 1})) == "its header gives 0 dimensions");
  CHECK(problem(Nifti().sizes({9, 16, 15, 12, 1, 1, 1, 1})) == "its header gives 9 dimensions");
  CHECK(problem(Nifti().sizes({2, 240, 12, 1, 1, 1, 1, 1})) == "this has 2 dimensions and 1 value a voxel");
  CHECK(problem(Nifti().sizes({4, 16, 15, 4, 3, 1, 1, 1})) == "this has 4 dimensions and 1 value a voxel");
  CHECK(problem(Nifti().sizes({3, 32767, 32767, 32767, 1, 1, 1, 1}))
            .starts_with("its header gives 3.52e+13 voxels"));
  CHECK(problem(Nifti().type(128, 24)) == "this has 3 dimensions and 3 values a voxel");
  CHECK(problem(Nifti().type(32, 64)) == "this has 3 dimensions and 2 values a voxel");
  CHECK(problem(Nifti().type(77, 32)).ends_with("datatype 77"));
  CHECK(problem(Nifti().type(16, 16)).starts_with("its header gives 16 bits a voxel and a type of 32"));
  CHECK(problem(Nifti().spacing(0, 0.9, 1.6)) ==
        "its header gives distances of 0 x 0.9 x 1.6 mm between voxels");
  CHECK(problem(Nifti().spacing(-0.7, 0.9, 1.6)) ==
        "its header gives distances of -0.7 x 0.9 x 1.6 mm between voxels");
  CHECK(problem(Nifti().unit(5)).ends_with("xyzt_units 5"));
  CHECK(problem(Nifti().put(112, static_cast<float>(kNaN))) ==
        "its header scales values by nan and shifts them by 0");
  Eigen::Matrix<double, 3, 4> rows;
  rows << 0.7, 0.3, 0.0, 0.0, 0.0, 0.9, 0.0, 0.0, 0.0, 0.0, 1.6, 0.0;
  CHECK(problem(Nifti().rows(rows)).ends_with("its axes are not square to one another"));
  CHECK(files.refused("a.nii").remedy ==
        "resample it on square axes, or give it as NRRD, which may be sheared");
  CHECK(problem(Nifti().put(344, 'x')).starts_with("its header lacks the magic word of NIfTI"));
  CHECK(problem(Nifti().put(345, 'i')).starts_with("its voxels are in another file"));
  CHECK(problem(Nifti().put(0, std::int32_t{347})).starts_with("this is no NIfTI file"));
  CHECK(files.problem("b.nii", "").starts_with("this is no NIfTI file"));
  CHECK(files.problem("b.nii.gz", "").starts_with("this is no NIfTI file"));
}

TEST_CASE("a volume whose axes are left-handed has its surface's normals out") {
  const Files files;
  std::string ball;
  for (int z = 0; z < 12; ++z)
    for (int y = 0; y < 12; ++y)
      for (int x = 0; x < 12; ++x)
        ball += static_cast<char>((Vector3d(x, y, z) - Vector3d(5.2, 5.7, 5.4)).norm() < 4.3);
  VolumeSettings settings;
  settings.label = 1.0;
  for (const char* directions :
       {"(1,0,0) (0,1,0) (0,0,1)", "(-1,0,0) (0,1,0) (0,0,1)", "(0,1,0) (1,0,0) (0,0,1)"}) {
    CAPTURE(directions);
    files.write("ball.nrrd", nrrd({{"type", "uchar"},
                                   {"endian", ""},
                                   {"sizes", "12 12 12"},
                                   {"spacings", ""},
                                   {"space", "LPS"},
                                   {"space directions", directions}}) +
                                 ball);
    const auto made = read_volume_surface(files.path() / "ball.nrrd", settings);
    REQUIRE(made);
    CHECK(enclosed_volume(made->mesh) > 0.8 * 4.0 / 3.0 * 3.14159 * 4.3 * 4.3 * 4.3);
  }
}

TEST_CASE("labels are those of the file, as far as they are told apart") {
  const Files files;
  std::string labels;
  std::string large;
  for (std::size_t i = 0; i < kVoxels; ++i) {
    const float label = i > 1000 && i < 1500 ? 0.1F : 0.0F;
    labels.append(reinterpret_cast<const char*>(&label), 4);
    const std::int32_t number = 16777216 + (i > 1000 && i < 1500 ? 1 : 0);
    large.append(reinterpret_cast<const char*>(&number), 4);
  }
  VolumeSettings settings;
  settings.label = 0.1;
  files.write("a.nrrd", nrrd() + labels).write("b.nrrd", nrrd({{"type", "int"}}) + large);
  CHECK(read_volume_surface(files.path() / "a.nrrd", settings));
  settings.label = 16777216.0;
  const auto merged = read_volume_surface(files.path() / "b.nrrd", settings);
  REQUIRE_FALSE(merged);
  CHECK(merged.error().problem.find("are not told apart") != std::string::npos);
  std::string none;
  for (std::size_t i = 0; i < kVoxels; ++i) none += std::string("\0\0\xc0\x7f", 4);  // NaN
  CHECK(files.problem("c.nrrd", nrrd() + none).starts_with("no voxel of the volume has a value"));
  CHECK(files.problem("d.nrrd", nrrd({{"sizes", "16 180 1"}}) + voxels<float>()).ends_with("a single slice"));
}

TEST_CASE("a label that a volume has not is answered with those that it has") {
  const Files files;
  std::string labels;
  for (std::size_t i = 0; i < kVoxels; ++i) labels += static_cast<char>(i < 1000 ? 0 : i < 1500 ? 2 : 5);
  files.write("a.nrrd", nrrd({{"type", "uchar"}}) + labels);
  VolumeSettings settings;
  settings.label = 7.0;
  const auto none = read_volume_surface(files.path() / "a.nrrd", settings);
  REQUIRE_FALSE(none);
  CHECK(none.error().problem == "no voxel has the label 7");
  CHECK(none.error().remedy == "the volume's labels are 0, 2, 5: give another --label");
}

TEST_CASE("withy scene says in one line what is wrong with a volume, and writes nothing") {
  const Files files;
  const std::string raw = voxels<float>();
  files.write("gone.mhd", meta("gone.raw"))
      .write("sizes.nrrd", nrrd({{"sizes", "16 4294967296 4294967296"}}) + raw)
      .write("sizes.mha", meta("LOCAL", {{"DimSize", "-16 15 12"}}) + raw)
      .write("type.nii", Nifti().type(77, 32).text(raw))
      .write("nine.nii", Nifti().sizes({9, 16, 15, 12, 1, 1, 1, 1}).text(raw))
      .write("axes.mha", meta("LOCAL", {{"NDims", "-3"}}) + raw)
      .write("flip.nii.gz", flipped(packed(Nifti().text(raw)), 4000))
      .write("half.hdr", Nifti().text(""))
      .write("half.img", raw);
  const auto before = [&] {
    std::set<std::string> names;
    for (const auto& entry : std::filesystem::directory_iterator(files.path()))
      names.insert(entry.path().filename());
    return names;
  };
  const auto names = before();
  const auto run = [&](const std::string& name) {
    return withy_test::run_program(WITHY_PROGRAM, {"scene", name, "--range", "-1000", "0", "-o", "out"},
                                   files.path());
  };
  const std::vector<std::pair<const char*, const char*>> places = {
      {"gone.mhd", "gone.mhd:9:1: "},
      {"sizes.nrrd", "sizes.nrrd:6:1: "},
      {"sizes.mha", "sizes.mha:6:1: "},
      {"type.nii", "type.nii:1:1: "},
      {"nine.nii", "nine.nii:1:1: "},
      {"axes.mha", "axes.mha:2:1: "},
      {"flip.nii.gz", "flip.nii.gz:1:1: "},
      {"half.hdr", "half.hdr:1:1: this is one of the two files"},
      {"half.img", "half.img:1:1: this is one of the two files"}};
  for (const auto& [name, place] : places) {
    CAPTURE(name);
    const auto refused = run(name);
    CAPTURE(refused.err);
    CHECK(refused.status == 2);
    CHECK(refused.out.empty());
    CHECK(refused.err.find(place) == 0);
    CHECK(std::count(refused.err.begin(), refused.err.end(), '\n') == 1);
  }
  CHECK(before() == names);
}
