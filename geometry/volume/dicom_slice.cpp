// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/volume/dicom_slice.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <fstream>
#include <map>
#include <string_view>
#include <utility>

#include <Eigen/Geometry>
#include <fmt/core.h>

#include "geometry/volume/refusals.h"
#include "planner/files/plain_line.h"
#include "planner/files/word_reader.h"
#include "planner/files/words.h"

namespace withy {
namespace {

constexpr std::uint32_t kUndefined = 0xffffffffU;
constexpr std::uint32_t kItem = 0xfffee000U;
constexpr std::uint32_t kItemEnd = 0xfffee00dU;
constexpr std::uint32_t kSequenceEnd = 0xfffee0ddU;
constexpr std::uint32_t kPixels = 0x7fe00010U;
constexpr std::uint32_t kFrameGroups = 0x52009229U;
constexpr std::uint32_t kTransferSyntax = 0x00020010U;

/// Longer values are none of those that are read here.
constexpr std::uint32_t kLongestValue = 256;
/// Sequences within sequences; no image has so many.
constexpr int kDeepest = 32;
/// Directions are rounded in the files.
constexpr double kUnit = 1e-2;

/// Walks a file's elements.
class DicomWalk {
 public:
  explicit DicomWalk(const std::filesystem::path& file) : in_(file, std::ios::binary) {
    in_.seekg(0, std::ios::end);
    size_ = in_ ? static_cast<std::uint64_t>(in_.tellg()) : 0;
  }

  /// Is this a DICOM file, with its first words or, as old ones, without them?
  bool begins() {
    if (bytes(128, 4) == "DICM") {
      at_ = 132;
      return true;
    }
    const std::string first = bytes(0, 8);
    has_words_ = false;
    return first.size() == 8 && first[0] == 8 && first[1] == 0 && first[3] == 0;
  }

  /// Reads all elements; false where one is not whole.
  bool all() {
    if (has_words_) {
      while (at_ < size_ && bytes(at_, 2) == std::string("\2\0", 2))
        if (!element(0)) return false;
      const std::string syntax = text(kTransferSyntax);
      explicit_ = syntax != "1.2.840.10008.1.2";
      big_ = syntax == "1.2.840.10008.1.2.2";
    } else {
      const std::string kind = bytes(4, 2);
      explicit_ = kind.size() == 2 && kind[0] >= 'A' && kind[0] <= 'Z' && kind[1] >= 'A' && kind[1] <= 'Z';
    }
    while (at_ < size_)
      if (!element(0)) return false;
    return true;
  }

  bool has(std::uint32_t tag) const { return values_.contains(tag); }

  /// A value as text, without what fills it up.
  std::string text(std::uint32_t tag) const {
    const auto found = values_.find(tag);
    std::string value = found == values_.end() ? std::string() : found->second;
    while (!value.empty() && (value.back() == '\0' || value.back() == ' ')) value.pop_back();
    value.erase(0, std::min(value.find_first_not_of(' '), value.size()));
    return value;
  }

  /// A whole number of two bytes.
  std::optional<double> whole(std::uint32_t tag) const {
    const auto found = values_.find(tag);
    if (found == values_.end() || found->second.size() != 2) return std::nullopt;
    return static_cast<double>(number_of(found->second, big_));
  }

  /// Numbers in decimal text, with backslashes between them; nothing where they are not `count`.
  std::optional<std::vector<double>> decimals(std::uint32_t tag, std::size_t count) const {
    std::string value = text(tag);
    std::replace(value.begin(), value.end(), '\\', ' ');
    WordReader words(value);
    std::vector<double> numbers;
    while (const auto word = words.on_line()) {
      const auto read = number<double>(word->text);
      if (!read) return std::nullopt;
      numbers.push_back(*read);
    }
    return numbers.size() == count ? std::optional(numbers) : std::nullopt;
  }

  bool has_words() const { return has_words_; }
  /// Bytes of the pixels; nothing where there are none, or where they are packed in fragments.
  std::optional<std::uint64_t> pixel_bytes() const { return pixel_bytes_; }
  bool packed() const { return packed_; }
  bool pixels_cut() const { return pixels_cut_; }

 private:
  std::string bytes(std::uint64_t at, std::size_t count) {
    std::string out(count, '\0');
    if (at + count > size_) return {};
    in_.clear();
    in_.seekg(static_cast<std::streamoff>(at));
    in_.read(out.data(), static_cast<std::streamsize>(count));
    return in_ ? out : std::string();
  }

  static std::uint32_t number_of(const std::string& bytes, bool big) {
    std::uint32_t value = 0;
    for (std::size_t k = 0; k < bytes.size(); ++k)
      value = value << 8 | static_cast<unsigned char>(bytes[big ? k : bytes.size() - 1 - k]);
    return value;
  }

  /// The tag and the length of the element that begins here.
  bool head(std::uint32_t& tag, std::uint32_t& length, std::string& kind) {
    const std::string first = bytes(at_, 8);
    if (first.empty()) return false;
    const bool words = number_of(first.substr(0, 2), false) == 2 && has_words_ && at_ < 4096;
    const bool big = big_ && !words;
    tag = number_of(first.substr(0, 2), big) << 16 | number_of(first.substr(2, 2), big);
    at_ += 8;
    kind.clear();
    length = number_of(first.substr(4), big);
    if (tag >> 16 == kItem >> 16 || !(explicit_ || words)) return true;
    kind = first.substr(4, 2);
    if (!std::all_of(kind.begin(), kind.end(), [](char c) { return c >= 'A' && c <= 'Z'; })) return false;
    constexpr std::array<std::string_view, 13> kLong = {"OB", "OW", "OF", "OD", "OL", "OV", "SQ",
                                                        "UC", "UR", "UT", "UN", "SV", "UV"};
    length = number_of(first.substr(6), big);
    if (std::find(kLong.begin(), kLong.end(), kind) == kLong.end()) return true;
    const std::string rest = bytes(at_, 4);
    if (rest.empty()) return false;
    length = number_of(rest, big);
    at_ += 4;
    return true;
  }

  /// The items of a sequence, or fragments, of no given length.
  bool sequence(int depth) {
    if (depth > kDeepest) return false;
    for (;;) {
      std::uint32_t tag = 0;
      std::uint32_t length = 0;
      std::string kind;
      if (!head(tag, length, kind)) return false;
      if (tag == kSequenceEnd) return true;
      if (tag != kItem) return false;
      if (length != kUndefined) {
        at_ += length;
        if (at_ > size_) return false;
        continue;
      }
      while (bytes(at_, 8).size() == 8 && !is_item_end())
        if (!element(depth + 1)) return false;
      if (!head(tag, length, kind)) return false;
    }
  }

  bool is_item_end() {
    const std::string first = bytes(at_, 4);
    return (number_of(first.substr(0, 2), big_) << 16 | number_of(first.substr(2), big_)) == kItemEnd;
  }

  bool element(int depth) {
    std::uint32_t tag = 0;
    std::uint32_t length = 0;
    std::string kind;
    if (!head(tag, length, kind)) return false;
    const bool pixels = tag == kPixels && depth == 0;
    if (length == kUndefined) {
      packed_ = packed_ || pixels;
      if (depth == 0) values_[tag] = {};
      const bool kept = explicit_;
      if (kind == "UN") explicit_ = false;
      const bool whole = sequence(depth);
      explicit_ = kept;
      return whole;
    }
    if (pixels) pixel_bytes_ = length;
    if (at_ + length > size_) {
      pixels_cut_ = pixels;
      return false;
    }
    if (depth == 0) values_[tag] = length <= kLongestValue ? bytes(at_, length) : std::string();
    at_ += length;
    return true;
  }

  std::ifstream in_;
  std::uint64_t size_ = 0;
  std::uint64_t at_ = 0;
  bool has_words_ = true;
  bool explicit_ = true;
  bool big_ = false;
  std::map<std::uint32_t, std::string> values_;
  std::optional<std::uint64_t> pixel_bytes_;
  bool packed_ = false;
  bool pixels_cut_ = false;
};

std::string slice_name(const std::filesystem::path& file) {
  return "the slice " + plain_line(file.filename().string());
}

tl::unexpected<VolumeRefusal> bad_slice(const std::filesystem::path& file, const std::string& problem,
                                        std::string remedy = "copy or export the series again") {
  return unreadable(slice_name(file) + " " + problem, std::move(remedy));
}

/// The transfer syntaxes that are read: plain ones, and those with packed pixels.
bool is_plain_syntax(const std::string& syntax) {
  return syntax == "1.2.840.10008.1.2" || syntax == "1.2.840.10008.1.2.1" || syntax == "1.2.840.10008.1.2.2";
}
bool is_packed_syntax(const std::string& syntax) {
  return syntax.starts_with("1.2.840.10008.1.2.4.") || syntax == "1.2.840.10008.1.2.5";
}

std::string syntax_of(const DicomWalk& walk) {
  return walk.has_words() ? walk.text(kTransferSyntax) : std::string("1.2.840.10008.1.2");
}

/// What the pixels are and how many.
std::optional<VolumeRefusal> check_pixels(const DicomWalk& walk, const DicomSlice& slice) {
  const std::string syntax = syntax_of(walk);
  if (walk.packed() != is_packed_syntax(syntax))
    return bad_slice(slice.file, walk.packed() ? "has packed pixels, and says that they are not"
                                               : "says that its pixels are packed, and they are not")
        .value();
  const double bits = walk.whole(0x00280100).value_or(0.0);
  const double stored = walk.whole(0x00280101).value_or(bits);
  const double values = walk.whole(0x00280002).value_or(1.0);
  if (!(slice.rows >= 1.0 && slice.columns >= 1.0 && slice.frames >= 1.0))
    return bad_slice(slice.file, fmt::format("has {:.0f} rows, {:.0f} columns and {:.0f} frames", slice.rows,
                                             slice.columns, slice.frames))
        .value();
  if (values != 1.0)
    return VolumeRefusal{VolumeFault::not_a_volume,
                         fmt::format("{} has {:.0f} values a pixel", slice_name(slice.file), values),
                         "give a series with one value a pixel"};
  if (!(bits == 8.0 || bits == 16.0 || bits == 32.0) || stored < 1.0 || stored > bits)
    return bad_slice(slice.file, fmt::format("has pixels of {:.0f} bits, {:.0f} of them used", bits, stored),
                     "export the series with pixels of 8, 16 or 32 bits")
        .value();
  if (auto refusal = too_large({slice.rows, slice.columns, slice.frames})) return refusal;
  if (walk.packed()) return std::nullopt;
  const double meant = slice.rows * slice.columns * slice.frames * bits / 8.0;
  const auto held = static_cast<double>(*walk.pixel_bytes());
  if (held == meant + 1.0 && std::fmod(meant, 2.0) == 1.0) return std::nullopt;  // filled up to two bytes
  return wrong_count(slice_name(slice.file), held, meant);
}

/// Distances, place and directions: what is there has to be sound.
std::optional<VolumeRefusal> read_slice_place(const DicomWalk& walk, DicomSlice& slice) {
  const auto numbers = [&](std::uint32_t tag, std::size_t count,
                           auto sound) -> std::optional<std::vector<double>> {
    auto read = walk.decimals(tag, count);
    return read && std::all_of(read->begin(), read->end(), sound) ? read : std::nullopt;
  };
  if (!walk.text(0x00280030).empty()) {
    const auto spacing = numbers(0x00280030, 2, is_spacing);
    if (!spacing)
      return bad_slice(slice.file,
                       fmt::format("gives the distances \"{}\" between its pixels",
                                   plain_line(walk.text(0x00280030))),
                       "export the series with its Pixel Spacing, two numbers above 0")
          .value();
    slice.spacing_mm = Eigen::Vector2d((*spacing)[0], (*spacing)[1]);
  }
  if (!walk.text(0x00200032).empty()) {
    const auto position = numbers(0x00200032, 3, is_place);
    if (!position)
      return bad_slice(slice.file, fmt::format("gives the place \"{}\"", plain_line(walk.text(0x00200032))),
                       "export the series with its Image Position (Patient), three numbers")
          .value();
    slice.position_mm = Eigen::Vector3d(position->data());
  }
  if (!walk.text(0x00200037).empty()) {
    const auto axes = walk.decimals(0x00200037, 6);
    Eigen::Matrix<double, 3, 2> both = Eigen::Matrix<double, 3, 2>::Zero();
    if (axes) both = Eigen::Map<const Eigen::Matrix<double, 3, 2>>(axes->data());
    const bool unit = (both.colwise().norm().array() - 1.0).abs().maxCoeff() < kUnit;
    if (!axes || !both.allFinite() || !unit || std::abs(both.col(0).dot(both.col(1))) > kUnit)
      return bad_slice(slice.file,
                       fmt::format("gives the directions \"{}\"", plain_line(walk.text(0x00200037))),
                       "export the series with its Image Orientation (Patient), two directions square to one "
                       "another")
          .value();
    slice.axes = both;
  }
  for (const std::uint32_t tag : {0x00281052U, 0x00281053U})
    if (!walk.text(tag).empty()) {
      const auto value = walk.decimals(tag, 1);
      if (!value || !std::isfinite((*value)[0]) || (tag == 0x00281053U && (*value)[0] == 0.0))
        return bad_slice(slice.file,
                         fmt::format("scales or shifts its values by \"{}\"", plain_line(walk.text(tag))))
            .value();
    }
  return std::nullopt;
}

/// The places of slices along the axis across them, in their order.
void put_in_order(std::vector<DicomSlice>& slices) {
  Eigen::Vector3d across = Eigen::Vector3d::UnitZ();
  if (slices.front().axes) across = slices.front().axes->col(0).cross(slices.front().axes->col(1));
  std::sort(slices.begin(), slices.end(), [&](const DicomSlice& a, const DicomSlice& b) {
    const double place_a = a.position_mm ? across.dot(*a.position_mm) : a.number;
    const double place_b = b.position_mm ? across.dot(*b.position_mm) : b.number;
    return place_a != place_b ? place_a < place_b : a.file < b.file;
  });
}

/// Slices may be so much nearer or farther from their neighbours than is usual, as a share of that: places in
/// the files are rounded. The surface is then off by less than that share of a voxel for each such slice.
constexpr double kUnevenSteps = 0.05;

/// Slices are missing where two neighbours lie farther apart than the others do.
std::optional<VolumeRefusal> check_steps(const std::vector<DicomSlice>& slices) {
  std::vector<double> steps;
  for (std::size_t i = 1; i < slices.size(); ++i)
    steps.push_back((*slices[i].position_mm - *slices[i - 1].position_mm).norm());
  if (steps.empty()) return std::nullopt;
  std::vector<double> sorted = steps;
  const auto middle = sorted.begin() + static_cast<std::ptrdiff_t>(sorted.size() / 2);
  std::nth_element(sorted.begin(), middle, sorted.end());
  const auto off = [&](double step) { return std::abs(step - *middle); };
  const auto worst =
      std::max_element(steps.begin(), steps.end(), [&](double a, double b) { return off(a) < off(b); });
  if (off(*worst) <= kUnevenSteps * *middle) return std::nullopt;
  const auto at = static_cast<std::size_t>(worst - steps.begin());
  const auto uneven = std::count_if(steps.begin(), steps.end(),
                                    [&](double step) { return off(step) > kUnevenSteps * *middle; });
  return VolumeRefusal{
      VolumeFault::missing_slices,
      fmt::format(
          "slices are missing or unevenly spaced: {} and {} lie {:.4g} mm apart, others {:.4g} mm{}",
          slice_name(slices[at].file), slice_name(slices[at + 1].file), *worst, *middle,
          uneven > 1 ? fmt::format(" ({} of {} steps are uneven)", uneven, steps.size()) : std::string()),
      "give the whole series, or one evenly spaced volume made of it as .nrrd, .nii or .mha"};
}

/// Slices of one size and spacing, each at a place of its own.
std::optional<VolumeRefusal> check_series(const std::vector<DicomSlice>& slices,
                                          std::vector<std::string>& done) {
  const DicomSlice& first = slices.front();
  for (std::size_t i = 0; i < slices.size(); ++i) {
    const DicomSlice& slice = slices[i];
    if (slices.size() > 1 && !slice.position_mm)
      return bad_slice(slice.file, "gives no place", "export the series with its Image Position (Patient)")
          .value();
    if (slice.spacing_mm.has_value() != first.spacing_mm.has_value() ||
        (slice.spacing_mm && !slice.spacing_mm->isApprox(*first.spacing_mm, 1e-3)))
      return bad_slice(slice.file, "has other distances between its pixels than the first one",
                       "give a series with one Pixel Spacing")
          .value();
    if (slice.axes.has_value() != first.axes.has_value() ||
        (slice.axes && (*slice.axes - *first.axes).norm() > kUnit))
      return bad_slice(slice.file, "lies in other directions than the first one",
                       "give a series of parallel slices")
          .value();
    if (i > 0 && (*slice.position_mm - *slices[i - 1].position_mm).norm() < 1e-6)
      return VolumeRefusal{
          VolumeFault::missing_slices,
          fmt::format("{} and {} lie at one place", slice_name(slices[i - 1].file), slice_name(slice.file)),
          "leave one of them out, or export the series again"};
  }
  if (first.frames > 1.0 && (slices.size() > 1 || !first.by_frame))
    return bad_slice(first.file,
                     fmt::format("holds {:.0f} frames, whose places it does not give", first.frames),
                     "export the series with one file a slice, or as .nrrd, .nii or .mha")
        .value();
  if (first.by_frame) return std::nullopt;
  if (auto refusal = check_steps(slices)) return refusal;
  if (!first.spacing_mm)
    done.push_back("The slices give no distance between pixels: took 1 mm (--scale S if it is S mm).");
  if (!first.axes) done.push_back("The slices give no directions: took rows along x and columns along y.");
  return std::nullopt;
}

/// Which of several series was taken.
void note_series(std::size_t count, const std::vector<DicomSlice>& taken, std::vector<std::string>& done) {
  done.push_back(
      fmt::format("The folder holds {} series: took the one with the most slices, the {} from {} to {} (a "
                  "folder of its own takes another).",
                  count, taken.size(), plain_line(taken.front().file.filename().string()),
                  plain_line(taken.back().file.filename().string())));
}

}  // namespace

tl::expected<std::optional<DicomSlice>, VolumeRefusal> read_slice(const std::filesystem::path& file) {
  DicomWalk walk(file);
  if (!walk.begins()) return std::nullopt;
  DicomSlice slice;
  slice.file = file;
  const bool whole = walk.all();
  if (!whole && syntax_of(walk).empty())
    return bad_slice(file, "holds a DICOM element that is not whole: it is damaged");
  if (const std::string syntax = syntax_of(walk); !is_plain_syntax(syntax) && !is_packed_syntax(syntax)) {
    slice.fault = bad_slice(file,
                            fmt::format("is of the transfer syntax \"{}\", which withy does not read",
                                        plain_line(syntax)),
                            "export the series with explicit values, least byte first")
                      .value();
    return slice;
  }
  if (walk.pixels_cut()) return bad_slice(file, "ends before its pixels do: it is not whole");
  if (!whole && walk.has_words())
    return bad_slice(file, "holds a DICOM element that is not whole: it is damaged");
  if (!whole || (!walk.pixel_bytes() && !walk.packed())) return std::nullopt;
  for (const std::uint32_t tag : {0x0020000eU, 0x00200011U, 0x00180024U, 0x00180050U})
    slice.series += walk.text(tag) + '\\';
  slice.rows = walk.whole(0x00280010).value_or(0.0);
  slice.columns = walk.whole(0x00280011).value_or(0.0);
  slice.series += fmt::format("{} {}", slice.rows, slice.columns);
  if (walk.has(0x00280008)) slice.frames = walk.decimals(0x00280008, 1).value_or(std::vector<double>{0.0})[0];
  slice.number = walk.decimals(0x00200013, 1).value_or(std::vector<double>{0.0})[0];
  slice.by_frame = walk.has(kFrameGroups);
  slice.fault = check_pixels(walk, slice);
  if (!slice.fault) slice.fault = read_slice_place(walk, slice);
  return slice;
}

tl::expected<DicomSeries, VolumeRefusal> read_series(const std::filesystem::path& folder,
                                                     std::vector<std::string>& done) {
  std::map<std::string, std::vector<DicomSlice>> by_series;
  std::error_code fault;
  std::vector<std::filesystem::path> files;
  for (const auto& entry : std::filesystem::directory_iterator(folder, fault))
    if (entry.is_regular_file(fault)) files.push_back(entry.path());
  std::sort(files.begin(), files.end());
  for (const std::filesystem::path& file : files) {
    auto slice = read_slice(file);
    if (!slice) return tl::unexpected(std::move(slice.error()));
    if (*slice) by_series[(*slice)->series].push_back(std::move(**slice));
  }
  if (by_series.empty())
    return unreadable("this folder holds no DICOM slices",
                      "give the folder that the slices themselves are in, or a .nrrd, .nii or .mha file");
  auto largest = by_series.begin();
  for (auto it = by_series.begin(); it != by_series.end(); ++it)
    if (it->second.size() > largest->second.size()) largest = it;
  for (DicomSlice& slice : largest->second)
    if (slice.fault) return tl::unexpected(std::move(*slice.fault));
  put_in_order(largest->second);
  if (auto refusal = check_series(largest->second, done)) return tl::unexpected(std::move(*refusal));
  if (by_series.size() > 1) note_series(by_series.size(), largest->second, done);
  return DicomSeries{std::move(largest->second)};
}

}  // namespace withy
