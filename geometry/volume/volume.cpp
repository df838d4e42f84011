// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/volume/volume.h"

#include <algorithm>
#include <array>
#include <cctype>
#include <cmath>
#include <cstdint>
#include <cstdio>
#include <exception>
#include <iostream>
#include <limits>
#include <new>
#include <set>
#include <sstream>
#include <utility>

#include <Eigen/Geometry>
#include <fmt/core.h>
#include <gdcmTrace.h>
#include <itkBinaryMask3DMeshSource.h>
#include <itkConnectedComponentImageFilter.h>
#include <itkGDCMImageIO.h>
#include <itkImage.h>
#include <itkImageFileReader.h>
#include <itkImageSeriesReader.h>
#include <itkMesh.h>
#include <itkMetaDataObject.h>
#include <itkMetaImageIO.h>
#include <itkNiftiImageIO.h>
#include <itkNrrdImageIO.h>
#include <itkRegionOfInterestImageFilter.h>
#include <sys/mman.h>
#include <unistd.h>

#include "geometry/numbers/numbers.h"
#include "geometry/volume/dicom_slice.h"
#include "geometry/volume/nifti_file.h"
#include "geometry/volume/text_header.h"
#include "geometry/volume/voxel_files.h"
#include "planner/files/plain_line.h"
#include "planner/files/words.h"

namespace withy {
namespace {

using Volume = itk::Image<float, 3>;
using Mask = itk::Image<std::uint8_t, 3>;
using Pieces = itk::Image<std::uint32_t, 3>;
using SurfaceMesh = itk::Mesh<double, 3>;
using Index = std::array<long, 3>;

/// A vertex keeps this share of an edge from its ends, so that triangles keep an area.
constexpr double kLeastShare = 0.02;

/// An axis runs along x, y or z when it is off by less than this angle's versed sine: 1.4e-5 rad, a hundredth
/// of a millimetre over 700 mm. Directions come back from a file to 1e-7 or so.
constexpr double kAlongAxis = 1e-10;

/// ITK's places of a NIfTI file's voxels may be off by this share of a voxel: it makes the axes square.
constexpr double kMostMisplaced = 0.1;

/// Larger labels are not told apart as numbers of 32 bits with a point.
constexpr double kMostLabel = 16777216.0;

/// A volume whose surface has more triangles than this is refused. Chosen: so many take about 4 GB.
constexpr double kMostVolumeTriangles = 6e6;

constexpr const char* kOtherFormat = "export it again as NRRD, NIfTI or MetaImage";

/// ITK reads sheared axes from NRRD alone.
constexpr const char* kSheared = "its axes are not square to one another";
constexpr const char* kSquareAxes = "resample it on square axes, or give it as NRRD, which may be sheared";

tl::unexpected<VolumeRefusal> refused(VolumeFault fault, std::string problem, std::string remedy) {
  return tl::unexpected(VolumeRefusal{fault, std::move(problem), std::move(remedy)});
}

bool ends_in(const std::filesystem::path& file, std::string_view ending) {
  std::string name = file.filename().string();
  std::transform(name.begin(), name.end(), name.begin(), [](unsigned char c) { return std::tolower(c); });
  return name.ends_with(ending);
}

bool is_nrrd(const std::filesystem::path& file) {
  return ends_in(file, ".nrrd") || ends_in(file, ".nhdr");
}

bool is_nifti(const std::filesystem::path& file) {
  return ends_in(file, ".nii") || ends_in(file, ".nii.gz");
}

itk::ImageIOBase::Pointer io_for(const std::filesystem::path& file) {
  if (is_nrrd(file)) return itk::NrrdImageIO::New().GetPointer();
  if (is_nifti(file)) return itk::NiftiImageIO::New().GetPointer();
  if (ends_in(file, ".mha") || ends_in(file, ".mhd")) return itk::MetaImageIO::New().GetPointer();
  return nullptr;
}

/// What ITK's libraries write to the error stream is held back: some tell only there what is missing.
class HeldWords {
 public:
  HeldWords() : before_(std::cerr.rdbuf(words_.rdbuf())) {}
  ~HeldWords() { std::cerr.rdbuf(before_); }
  HeldWords(const HeldWords&) = delete;
  HeldWords& operator=(const HeldWords&) = delete;
  std::string text() const { return words_.str(); }

 private:
  std::ostringstream words_;
  std::streambuf* before_;
};

/// ITK's messages take several lines and name its sources and the computer's; the last line of one that the
/// NRRD library gives says what is wrong.
std::string short_words(const itk::ExceptionObject& error) {
  std::string text = error.GetDescription();
  while (!text.empty() && (text.back() == '\n' || text.back() == ' ')) text.pop_back();
  const std::size_t line = text.find_last_of('\n');
  if (line != std::string::npos) text.erase(0, line + 1);
  if (text.find("orthonormal") != std::string::npos) return kSheared;
  if (text.find("spacing of 0") != std::string::npos) return "its voxels have no size along one axis";
  const std::size_t colon = text.find(": ");
  if (!text.starts_with("[nrrd]") || colon == std::string::npos)
    return "its header or its values are none of its format";
  return text.substr(colon + 2);
}

using VolumeResult = tl::expected<Volume::Pointer, VolumeRefusal>;

/// What is to be read instead of a file, where it is not the file; and where its voxels are.
struct CheckedFile {
  std::optional<MemoryFile> copy;
  std::optional<Eigen::Matrix<double, 3, 4>> place;
};

/// Holds a file against its header: its reader passes over some of what can be wrong.
tl::expected<CheckedFile, VolumeRefusal> checked(const std::filesystem::path& file,
                                                 std::vector<std::string>& done) {
  CheckedFile out;
  if (is_nifti(file)) {
    auto nifti = read_nifti(file, done);
    if (!nifti) return tl::unexpected(nifti.error());
    out.copy = std::move(nifti->copy);
    out.place = nifti->place;
    return out;
  }
  auto refusal = is_nrrd(file) ? check_nrrd(file, done) : check_meta(file, done);
  if (refusal) return tl::unexpected(std::move(*refusal));
  if (!is_nrrd(file)) out.copy = unpacked_meta(file);
  return out;
}

/// What becomes of a file's own axes, where they are others.
std::string frame_of(const std::filesystem::path& file) {
  const auto lps = [](const char* change) {
    return fmt::format("The frame is LPS (x to the patient's left, y to the back, z up): {} sign.", change);
  };
  if (is_nifti(file)) return lps("x and y of this NIfTI file change");
  if (!is_nrrd(file)) return {};
  const auto header = TextHeader::read(file, TextHeader::Format::nrrd);
  const HeaderField* field = header ? header->find({"space"}) : nullptr;
  const std::string space = field == nullptr ? std::string() : lower_case(field->value);
  if (space.starts_with("right-anterior-superior") || space.starts_with("ras"))
    return lps("x and y of this RAS file change");
  if (space.starts_with("left-anterior-superior") || space.starts_with("las"))
    return lps("y of this LAS file changes");
  return {};
}

/// How far the outermost voxels that ITK places lie from where the header has them, in the least spacing.
double misplaced(const Volume& volume, const Eigen::Matrix<double, 3, 4>& place) {
  const auto size = volume.GetLargestPossibleRegion().GetSize();
  double most_mm = 0.0;
  for (int corner = 0; corner < 8; ++corner) {
    Volume::IndexType index;
    for (unsigned k = 0; k < 3; ++k) index[k] = corner >> k & 1 ? static_cast<long>(size[k]) - 1 : 0;
    Volume::PointType point;
    volume.TransformIndexToPhysicalPoint(index, point);
    const Eigen::Vector4d at(static_cast<double>(index[0]), static_cast<double>(index[1]),
                             static_cast<double>(index[2]), 1.0);
    most_mm = std::max(most_mm, (place * at - Eigen::Vector3d(point[0], point[1], point[2])).norm());
  }
  return most_mm / place.leftCols<3>().colwise().norm().minCoeff();
}

/// A volume whose lengths are in a unit of so many mm.
void to_mm(Volume& volume, double unit_mm) {
  auto spacing = volume.GetSpacing();
  auto origin = volume.GetOrigin();
  for (unsigned k = 0; k < 3; ++k) {
    spacing[k] *= unit_mm;
    origin[k] *= unit_mm;
  }
  volume.SetSpacing(spacing);
  volume.SetOrigin(origin);
}

VolumeResult read_file(const std::filesystem::path& file, std::vector<std::string>& done) {
  const HeldWords unsaid;
  const auto sound = checked(file, done);
  if (!sound) return tl::unexpected(sound.error());
  const std::string name = (sound->copy ? sound->copy->path() : file).string();
  const auto io = io_for(file);
  if (!io->CanReadFile(name.c_str()))
    return refused(
        VolumeFault::unreadable, "this is no volume of the format that its name says",
        "give a file that ends in .nrrd, .nhdr, .nii, .nii.gz, .mha or .mhd, or a folder of DICOM slices");
  io->SetFileName(name);
  io->ReadImageInformation();
  unsigned dimensions = io->GetNumberOfDimensions();
  while (dimensions > 3 && io->GetDimensions(dimensions - 1) == 1) --dimensions;
  if (dimensions != 3 || io->GetNumberOfComponents() != 1)
    return refused(
        VolumeFault::not_a_volume,
        fmt::format("this has {} and {} a voxel", count_of(io->GetNumberOfDimensions(), "dimension"),
                    count_of(io->GetNumberOfComponents(), "value")),
        "give one volume of three dimensions and one value a voxel");
  const auto reader = itk::ImageFileReader<Volume>::New();
  reader->SetImageIO(io);
  reader->SetFileName(name);
  reader->Update();
  if (is_nrrd(file)) to_mm(*reader->GetOutput(), nrrd_unit_mm(file));
  if (sound->place && misplaced(*reader->GetOutput(), *sound->place) > kMostMisplaced)
    return refused(VolumeFault::unreadable, kSheared, kSquareAxes);
  if (const std::string frame = frame_of(file); !frame.empty()) done.push_back(frame);
  return reader->GetOutput();
}

/// GDCM fills with zeros what a slice's file does not hold, and warns where that is asked for.
class SliceWarnings {
 public:
  SliceWarnings() { gdcm::Trace::WarningOn(); }
  ~SliceWarnings() { gdcm::Trace::WarningOff(); }
  SliceWarnings(const SliceWarnings&) = delete;
  SliceWarnings& operator=(const SliceWarnings&) = delete;
  bool cut_short() const { return words_.text().find("Incomplete Pixel Data") != std::string::npos; }

 private:
  HeldWords words_;
};

/// What the libraries of packed pixels write to the program's own error output, past all streams, is held
/// back.
class HeldErrorOutput {
 public:
  HeldErrorOutput() : words_(memfd_create("withy-words", MFD_CLOEXEC)) {
    std::fflush(stderr);
    if (words_ >= 0) before_ = dup(STDERR_FILENO);
    if (before_ >= 0) dup2(words_, STDERR_FILENO);
  }
  ~HeldErrorOutput() {
    std::fflush(stderr);
    if (before_ >= 0) {
      dup2(before_, STDERR_FILENO);
      close(before_);
    }
    if (words_ >= 0) close(words_);
  }
  HeldErrorOutput(const HeldErrorOutput&) = delete;
  HeldErrorOutput& operator=(const HeldErrorOutput&) = delete;

  /// Did the library of JPEG say that what it unpacked is damaged?
  bool says_corrupt() const {
    std::fflush(stderr);
    std::array<char, 4096> text{};
    if (words_ < 0 || pread(words_, text.data(), text.size() - 1, 0) <= 0) return false;
    return std::string_view(text.data()).find("Corrupt JPEG data") != std::string_view::npos;
  }

 private:
  int words_ = -1;
  int before_ = -1;
};

/// Can a slice be read by itself?
bool is_readable(const DicomSlice& slice) {
  const HeldErrorOutput unsaid;
  try {
    const auto reader = itk::ImageFileReader<Volume>::New();
    reader->SetImageIO(itk::GDCMImageIO::New());
    reader->SetFileName(slice.file.string());
    reader->Update();
  } catch (const itk::ExceptionObject&) {
    return false;
  }
  return !unsaid.says_corrupt();
}

/// A series that can't be read: which slice.
tl::unexpected<VolumeRefusal> unreadable_slice(const DicomSeries& series) {
  const auto bad = std::find_if(series.slices.begin(), series.slices.end(),
                                [](const DicomSlice& slice) { return !is_readable(slice); });
  return refused(VolumeFault::unreadable,
                 (bad == series.slices.end() ? std::string("a slice")
                                             : "the slice " + plain_line(bad->file.filename().string())) +
                     " can't be read: its pixels are damaged, or packed in a way that withy does not read",
                 "copy the series again, or export it without compression");
}

VolumeResult read_folder(const std::filesystem::path& folder, std::vector<std::string>& done) {
  const auto series = read_series(folder, done);
  if (!series) return tl::unexpected(series.error());
  std::vector<std::string> files;
  for (const DicomSlice& slice : series->slices) files.push_back(slice.file.string());
  const auto reader = itk::ImageSeriesReader<Volume>::New();
  reader->SetImageIO(itk::GDCMImageIO::New());
  reader->SetFileNames(files);
  reader->ForceOrthogonalDirectionOff();
  bool corrupt = false;
  try {
    const SliceWarnings warnings;
    const HeldErrorOutput unsaid;
    reader->Update();
    corrupt = unsaid.says_corrupt();
    if (warnings.cut_short())
      return refused(VolumeFault::unreadable, "a slice ends before its pixels do: it is not whole",
                     "copy or export the series again");
  } catch (const itk::MemoryAllocationError&) {
    throw;
  } catch (const itk::ExceptionObject&) {
    corrupt = true;
  }
  if (corrupt) return unreadable_slice(*series);
  return reader->GetOutput();
}

Index size_of(const Volume& volume) {
  const auto size = volume.GetLargestPossibleRegion().GetSize();
  return {static_cast<long>(size[0]), static_cast<long>(size[1]), static_cast<long>(size[2])};
}

/// The box in the volume's own axes, in voxels: 0 is the first voxel's centre.
Eigen::AlignedBox3d box_in_voxels(const Volume& volume, const Eigen::AlignedBox3d& box_mm) {
  Eigen::AlignedBox3d box;
  for (int corner = 0; corner < 8; ++corner) {
    const Eigen::Vector3d p = box_mm.corner(static_cast<Eigen::AlignedBox3d::CornerType>(corner));
    itk::ContinuousIndex<double, 3> index;
    volume.TransformPhysicalPointToContinuousIndex(Volume::PointType(p.data()), index);
    box.extend(Eigen::Vector3d(index.GetDataPointer()));
  }
  return box;
}

std::string spoken_place(const Eigen::Vector3d& p) {
  return fmt::format("({:.2f}, {:.2f}, {:.2f}) mm", p.x() + 0.0, p.y() + 0.0, p.z() + 0.0);
}

/// The centre of a voxel.
Eigen::Vector3d centre_of(const Volume& volume, const Volume::IndexType& index) {
  Volume::PointType point;
  volume.TransformIndexToPhysicalPoint(index, point);
  return {point[0], point[1], point[2]};
}

/// From voxel to voxel along each axis of the volume, as columns: from index to place without ITK's sums.
Eigen::Matrix3d voxel_steps(const Volume& volume) {
  const Eigen::Vector3d origin = centre_of(volume, {{0, 0, 0}});
  Eigen::Matrix3d steps;
  steps << centre_of(volume, {{1, 0, 0}}) - origin, centre_of(volume, {{0, 1, 0}}) - origin,
      centre_of(volume, {{0, 0, 1}}) - origin;
  return steps;
}

/// From the centre of the first voxel to that of the last, whichever way its axes run.
Eigen::AlignedBox3d extent_of(const Volume& volume) {
  const Index size = size_of(volume);
  Eigen::AlignedBox3d box;
  for (int corner = 0; corner < 8; ++corner)
    box.extend(centre_of(volume, {{corner & 1 ? size[0] - 1 : 0, corner & 2 ? size[1] - 1 : 0,
                                   corner & 4 ? size[2] - 1 : 0}}));
  return box;
}

/// Do the volume's axes run along x, y and z, in any order?
bool is_oblique(const Volume& volume) {
  const Eigen::Matrix3d steps = voxel_steps(volume);
  for (int k = 0; k < 3; ++k)
    if (steps.col(k).cwiseAbs().maxCoeff() < (1.0 - kAlongAxis) * steps.col(k).norm()) return true;
  return false;
}

std::vector<VolumeFace> faces_of(const Volume& volume) {
  const Index size = size_of(volume);
  const Eigen::Matrix3d steps = voxel_steps(volume);
  const Eigen::Vector3d first = centre_of(volume, {{0, 0, 0}});
  const Eigen::Vector3d last = centre_of(volume, {{size[0] - 1, size[1] - 1, size[2] - 1}});
  std::vector<VolumeFace> faces;
  for (int k = 0; k < 3; ++k) {
    // Square to the two other axes, also where the three are not square to one another.
    Eigen::Vector3d out = steps.col((k + 1) % 3).cross(steps.col((k + 2) % 3)).normalized();
    if (out.dot(steps.col(k)) < 0.0) out = -out;
    faces.push_back({first, -out});
    faces.push_back({last, out});
  }
  return faces;
}

/// The voxels whose centres lie in the box.
VolumeResult cropped(const Volume::Pointer& volume, const Eigen::AlignedBox3d& box_mm,
                     std::vector<std::string>& done) {
  const Index size = size_of(*volume);
  const Eigen::AlignedBox3d box = box_in_voxels(*volume, box_mm);
  Volume::IndexType first;
  Volume::SizeType count;
  for (std::size_t k = 0; k < 3; ++k) {
    const auto axis = static_cast<Eigen::Index>(k);
    const double last = static_cast<double>(size[k] - 1);
    const double low = std::ceil(std::clamp(box.min()(axis), 0.0, last + 1.0));
    const double high = std::floor(std::clamp(box.max()(axis), -1.0, last));
    if (high < low)
      return refused(
          VolumeFault::outside_region, "--crop holds no voxel's centre of this volume",
          fmt::format("give its box in the volume's own millimetres, which reach from {} to {}",
                      spoken_place(extent_of(*volume).min()), spoken_place(extent_of(*volume).max())));
    first[k] = static_cast<long>(low);
    count[k] = static_cast<std::size_t>(high - low) + 1;
  }
  const auto filter = itk::RegionOfInterestImageFilter<Volume, Volume>::New();
  filter->SetInput(volume);
  filter->SetRegionOfInterest({first, count});
  filter->Update();
  done.push_back(fmt::format("Cropped to {} x {} x {} voxels.", count[0], count[1], count[2]));
  return filter->GetOutput();
}

struct Chosen {
  Mask::Pointer mask;
  std::size_t voxels = 0;
  std::size_t without_value = 0;  ///< of the volume's, not of the chosen
};

/// The voxels of a range, in the volume's own grid.
Chosen voxels_in(const Volume& volume, const ValueRange& range) {
  Chosen chosen{Mask::New()};
  chosen.mask->CopyInformation(&volume);
  chosen.mask->SetRegions(volume.GetLargestPossibleRegion());
  chosen.mask->Allocate();
  const float* value = volume.GetBufferPointer();
  std::uint8_t* in = chosen.mask->GetBufferPointer();
  const std::size_t count = volume.GetLargestPossibleRegion().GetNumberOfPixels();
  for (std::size_t i = 0; i < count; ++i) {
    in[i] = value[i] >= range.low && value[i] <= range.high;
    chosen.voxels += in[i];
    chosen.without_value += std::isnan(value[i]);
  }
  return chosen;
}

/// The values of a volume that has few, all of them whole numbers: a segmentation's labels. Empty for others.
std::string few_labels(const Volume& volume) {
  constexpr std::size_t kFew = 20;
  const float* value = volume.GetBufferPointer();
  const std::size_t count = volume.GetLargestPossibleRegion().GetNumberOfPixels();
  std::set<float> labels;
  float last = std::numeric_limits<float>::quiet_NaN();
  for (std::size_t i = 0; i < count; ++i) {
    if (value[i] == last || std::isnan(value[i])) continue;
    last = value[i];
    if (last != std::floor(last) || (labels.insert(last).second && labels.size() > kFew)) return {};
  }
  std::string words;
  for (const float label : labels) words += fmt::format("{}{:g}", words.empty() ? "" : ", ", label);
  return words;
}

tl::unexpected<VolumeRefusal> nothing_there(const Volume& volume, const VolumeSettings& settings) {
  const std::size_t count = volume.GetLargestPossibleRegion().GetNumberOfPixels();
  float low = std::numeric_limits<float>::infinity();
  float high = -low;
  for (std::size_t i = 0; i < count; ++i) {  // what is no number is neither
    low = std::fmin(low, volume.GetBufferPointer()[i]);
    high = std::fmax(high, volume.GetBufferPointer()[i]);
  }
  if (low > high)
    return refused(VolumeFault::empty_region, "no voxel of the volume has a value, all are no number",
                   "export it again, or give another volume");
  if (const std::string labels = settings.label ? few_labels(volume) : std::string(); !labels.empty())
    return refused(VolumeFault::empty_region, fmt::format("no voxel has the label {:g}", *settings.label),
                   fmt::format("the volume's labels are {}: give another --label", labels));
  return refused(
      VolumeFault::empty_region,
      settings.label
          ? fmt::format("no voxel has the label {:g}", *settings.label)
          : fmt::format("no voxel lies between {:g} and {:g}", settings.range->low, settings.range->high),
      fmt::format("the volume's values run from {:g} to {:g}: give another --label or --range", low, high));
}

/// One piece of a mask: its label among `pieces`, its voxels, its box.
struct Piece {
  std::uint32_t label = 0;
  std::size_t voxels = 0;
  Index low{}, high{};
};

Piece box_of(const Pieces& pieces, std::uint32_t label) {
  Piece piece{label};
  piece.low.fill(std::numeric_limits<long>::max());
  piece.high.fill(-1);
  const auto size = pieces.GetLargestPossibleRegion().GetSize();
  const std::uint32_t* at = pieces.GetBufferPointer();
  for (long z = 0; z < static_cast<long>(size[2]); ++z)
    for (long y = 0; y < static_cast<long>(size[1]); ++y)
      for (long x = 0; x < static_cast<long>(size[0]); ++x) {
        if (*at++ != label) continue;
        ++piece.voxels;
        const Index here = {x, y, z};
        for (std::size_t k = 0; k < 3; ++k) {
          piece.low[k] = std::min(piece.low[k], here[k]);
          piece.high[k] = std::max(piece.high[k], here[k]);
        }
      }
  return piece;
}

/// The voxel of the region whose centre is nearest to a point.
struct NearestVoxel {
  std::uint32_t label = 0;
  Eigen::Vector3d centre = Eigen::Vector3d::Zero();
  double distance_mm = kInfinity;
};

NearestVoxel nearest_voxel(const Volume& volume, const Pieces& pieces, const Eigen::Vector3d& p) {
  const Eigen::Vector3d origin = centre_of(volume, {{0, 0, 0}});
  const Eigen::Matrix3d steps = voxel_steps(volume);
  const auto size = pieces.GetLargestPossibleRegion().GetSize();
  const std::uint32_t* at = pieces.GetBufferPointer();
  NearestVoxel nearest;
  double least = kInfinity;
  for (std::size_t z = 0; z < size[2]; ++z)
    for (std::size_t y = 0; y < size[1]; ++y) {
      const Eigen::Vector3d row =
          origin + static_cast<double>(y) * steps.col(1) + static_cast<double>(z) * steps.col(2);
      for (std::size_t x = 0; x < size[0]; ++x, ++at) {
        if (*at == 0) continue;
        const Eigen::Vector3d centre = row + static_cast<double>(x) * steps.col(0);
        if (const double d = (centre - p).squaredNorm(); d < least) least = d, nearest = {*at, centre};
      }
    }
  nearest.distance_mm = std::sqrt(least);
  return nearest;
}

/// The piece whose voxel a point lies in; 0 where it lies in none.
std::uint32_t label_at(const Volume& volume, const Pieces& pieces, const Eigen::Vector3d& p) {
  Volume::IndexType index;
  if (!volume.TransformPhysicalPointToIndex(Volume::PointType(p.data()), index)) return 0;
  return pieces.GetPixel(index);
}

/// A cut's point has to lie in the region.
std::optional<VolumeRefusal> cut_outside(const Volume& volume, const Pieces& pieces,
                                         const Eigen::Vector3d& cut) {
  if (label_at(volume, pieces, cut) > 0) return std::nullopt;
  Volume::IndexType index;
  const bool within = volume.TransformPhysicalPointToIndex(Volume::PointType(cut.data()), index);
  const NearestVoxel nearest = nearest_voxel(volume, pieces, cut);
  return VolumeRefusal{VolumeFault::outside_region,
                       within ? fmt::format("at --cut {:g} {:g} {:g} the value is {:g}, outside the region",
                                            cut.x(), cut.y(), cut.z(), volume.GetPixel(index))
                              : fmt::format("--cut {:g} {:g} {:g} lies outside the volume, or outside --crop",
                                            cut.x(), cut.y(), cut.z()),
                       fmt::format("give a point inside the lumen, the nearest is {}{}",
                                   spoken_place(nearest.centre), within ? ", or widen --range" : "")};
}

/// The piece to keep, which is said where it does not hold the point.
std::uint32_t label_near(const Volume& volume, const Pieces& pieces, const Eigen::Vector3d& p,
                         std::vector<std::string>& done) {
  if (const std::uint32_t label = label_at(volume, pieces, p)) return label;
  const NearestVoxel nearest = nearest_voxel(volume, pieces, p);
  done.push_back(
      fmt::format("No piece of the region holds the point of --keep-at: took the nearest, {:.2f} mm from "
                  "it at {}.",
                  nearest.distance_mm, spoken_place(nearest.centre)));
  return nearest.label;
}

/// The piece to take. The pieces' image is large and goes with the caller.
tl::expected<Piece, VolumeRefusal> choose_piece(const Volume& volume, const Pieces& pieces,
                                                const VolumeSettings& settings,
                                                std::vector<std::string>& done) {
  const std::size_t count = volume.GetLargestPossibleRegion().GetNumberOfPixels();
  std::vector<std::size_t> voxels;
  for (std::size_t i = 0; i < count; ++i) {
    const std::uint32_t label = pieces.GetBufferPointer()[i];
    if (label >= voxels.size()) voxels.resize(label + 1, 0);
    if (label > 0) ++voxels[label];
  }
  auto label = static_cast<std::uint32_t>(std::max_element(voxels.begin(), voxels.end()) - voxels.begin());
  if (settings.keep_at) label = label_near(volume, pieces, *settings.keep_at, done);
  for (const Eigen::Vector3d& cut : settings.cuts)
    if (auto outside = cut_outside(volume, pieces, cut)) return tl::unexpected(std::move(*outside));
  const Piece piece = box_of(pieces, label);
  if (voxels.size() > 2)
    done.push_back(
        fmt::format("The region is in {} pieces: took the one of {} voxels (--keep-at X Y Z takes another).",
                    voxels.size() - 1, piece.voxels));
  return piece;
}

/// A piece alone, with a border of one voxel that is not in it; index 0 is the voxel before its box.
Mask::Pointer mask_of(const Volume& volume, const Pieces& pieces, const Piece& piece) {
  const auto mask = Mask::New();
  Mask::SizeType size;
  Volume::IndexType first;
  for (std::size_t k = 0; k < 3; ++k) {
    size[k] = static_cast<std::size_t>(piece.high[k] - piece.low[k] + 3);
    first[k] = piece.low[k] - 1;
  }
  mask->SetRegions(size);
  mask->SetSpacing(volume.GetSpacing());
  mask->SetDirection(volume.GetDirection());
  Volume::PointType origin;
  volume.TransformIndexToPhysicalPoint(first, origin);
  mask->SetOrigin(origin);
  mask->Allocate(true);
  for (long z = piece.low[2]; z <= piece.high[2]; ++z)
    for (long y = piece.low[1]; y <= piece.high[1]; ++y)
      for (long x = piece.low[0]; x <= piece.high[0]; ++x)
        if (pieces.GetPixel({{x, y, z}}) == piece.label)
          mask->SetPixel({{x - first[0], y - first[1], z - first[2]}}, 1);
  return mask;
}

/// About how many triangles the surface of a mask has: twice the edges from a voxel in it to one outside.
double triangles_about(const Mask& mask) {
  const auto size = mask.GetLargestPossibleRegion().GetSize();
  const std::array<std::size_t, 3> steps = {1, size[0], size[0] * size[1]};
  const std::size_t count = mask.GetLargestPossibleRegion().GetNumberOfPixels();
  const std::uint8_t* at = mask.GetBufferPointer();
  std::size_t edges = 0;  // none wraps round a row's end: the outermost voxels are not in the mask
  for (const std::size_t step : steps)
    for (std::size_t i = 0; i + step < count; ++i) edges += at[i] != at[i + step];
  return 2.0 * static_cast<double>(edges);
}

/// A surface of very many triangles takes minutes and all memory.
std::optional<VolumeRefusal> too_rough(const Mask& mask) {
  const double triangles = triangles_about(mask);
  if (triangles <= kMostVolumeTriangles) return std::nullopt;
  return VolumeRefusal{
      VolumeFault::too_rough,
      fmt::format(
          "the region's surface has about {:.1f} million triangles, and no more than {:g} million are "
          "made of a volume",
          1e-6 * triangles, 1e-6 * kMostVolumeTriangles),
      "give a part of it by --crop X0 Y0 Z0 X1 Y1 Z1, a --range that holds the lumen's noise, or the volume "
      "resampled to larger voxels"};
}

/// Where along an edge from a voxel in the region to one outside the values leave the range: half way where
/// one has no value.
double share_along(double inside, double outside, const ValueRange& range) {
  const double limit = outside < range.low ? range.low : range.high;
  if ((outside >= range.low && outside <= range.high) || outside == inside) return 0.5;
  if (!std::isfinite(outside) || !std::isfinite(inside)) return 0.5;
  return std::clamp((limit - inside) / (outside - inside), kLeastShare, 1.0 - kLeastShare);
}

class Placer {
 public:
  Placer(const Volume& volume, const Mask& mask, const Piece& piece, std::optional<ValueRange> range)
      : volume_(volume), mask_(mask), piece_(piece), range_(range), size_(size_of(volume)) {}

  struct Placed {
    Eigen::Vector3d point;
    std::array<int, 3> border{};  ///< -1 or 1 where it lies beyond the volume's first or last voxels
    bool between_eight = false;  ///< in the middle of eight voxels: its place is that of its neighbours' mean
  };

  /// A vertex as ITK places it, half way between two voxels' centres.
  Placed place(const SurfaceMesh::PointType& half_way) const {
    itk::ContinuousIndex<double, 3> at;
    mask_.TransformPhysicalPointToContinuousIndex(half_way, at);
    Placed placed;
    std::size_t axis = 3;
    int odd = 0;
    for (std::size_t k = 0; k < 3; ++k) {
      const double twice = std::round(2.0 * at[k]);
      at[k] = 0.5 * twice;
      if (static_cast<long>(twice) % 2 != 0) axis = k, ++odd;
      const double in_volume = at[k] + static_cast<double>(piece_.low[k] - 1);
      placed.border[k] = in_volume < 0.0 ? -1 : in_volume > static_cast<double>(size_[k] - 1) ? 1 : 0;
    }
    placed.between_eight = odd == 3;
    if (range_ && odd == 1 && placed.border[axis] == 0) move_along(axis, at);
    SurfaceMesh::PointType point;
    mask_.TransformContinuousIndexToPhysicalPoint(at, point);
    placed.point = {point[0], point[1], point[2]};
    return placed;
  }

 private:
  void move_along(std::size_t axis, itk::ContinuousIndex<double, 3>& at) const {
    Mask::IndexType low;
    for (std::size_t k = 0; k < 3; ++k) low[k] = static_cast<long>(std::floor(at[k]));
    Mask::IndexType high = low;
    ++high[axis];
    const bool low_is_in = mask_.GetPixel(low) != 0;
    const double low_value = value(low);
    const double high_value = value(high);
    const double share = low_is_in ? share_along(low_value, high_value, *range_)
                                   : 1.0 - share_along(high_value, low_value, *range_);
    at[axis] = static_cast<double>(low[axis]) + share;
  }

  double value(Mask::IndexType index) const {
    for (std::size_t k = 0; k < 3; ++k) index[k] += piece_.low[k] - 1;
    return volume_.GetPixel(index);
  }

  const Volume& volume_;
  const Mask& mask_;
  const Piece& piece_;
  std::optional<ValueRange> range_;
  Index size_;
};

std::vector<Placer::Placed> placed_vertices(const SurfaceMesh& surface, const Placer& placer) {
  std::vector<Placer::Placed> placed;
  for (auto p = surface.GetPoints()->Begin(); p != surface.GetPoints()->End(); ++p)
    placed.push_back(placer.place(p.Value()));
  return placed;
}

std::vector<std::array<int, 3>> triangles_of(const SurfaceMesh& surface) {
  std::vector<std::array<int, 3>> triangles;
  for (auto c = surface.GetCells()->Begin(); c != surface.GetCells()->End(); ++c) {
    const auto* id = c.Value()->GetPointIds();
    triangles.push_back({static_cast<int>(id[0]), static_cast<int>(id[1]), static_cast<int>(id[2])});
  }
  return triangles;
}

/// Vertices between eight voxels go to the mean of their neighbours on edges.
void place_middles(std::vector<Placer::Placed>& placed, const std::vector<std::array<int, 3>>& triangles) {
  std::vector<Eigen::Vector4d> sum(placed.size(), Eigen::Vector4d::Zero());
  const auto at = [&](int v) -> Placer::Placed& { return placed[static_cast<std::size_t>(v)]; };
  for (const auto& t : triangles)
    for (const int v : t)
      for (const int other : t)
        if (at(v).between_eight && !at(other).between_eight)
          sum[static_cast<std::size_t>(v)] += at(other).point.homogeneous();
  for (std::size_t v = 0; v < placed.size(); ++v)
    if (placed[v].between_eight && sum[v].w() > 0.0) placed[v].point = sum[v].hnormalized();
}

/// ITK's triangles with vertices placed; those that reach beyond the volume are left out.
TriangleMesh plain_mesh(const SurfaceMesh& surface, const Placer& placer, bool left_handed) {
  std::vector<Placer::Placed> placed = placed_vertices(surface, placer);
  TriangleMesh mesh;
  mesh.triangles = triangles_of(surface);
  place_middles(placed, mesh.triangles);
  for (const Placer::Placed& p : placed) mesh.vertices.push_back(p.point);
  if (left_handed)  // ITK's triangles are those of the mirrored volume
    for (std::array<int, 3>& t : mesh.triangles) std::swap(t[1], t[2]);
  std::erase_if(mesh.triangles, [&](const std::array<int, 3>& t) {
    return std::any_of(t.begin(), t.end(), [&](int v) {
      const auto& b = placed[static_cast<std::size_t>(v)].border;
      return b[0] != 0 || b[1] != 0 || b[2] != 0;
    });
  });
  return mesh;
}

/// The values of the region, as the volume's are read: with 32 bits.
ValueRange range_of(const VolumeSettings& settings) {
  if (!settings.label) return *settings.range;
  const auto label = static_cast<double>(static_cast<float>(*settings.label));
  return {label, label};
}

tl::expected<VolumeSurface, VolumeRefusal> surface_of(const Volume& volume, const VolumeSettings& settings,
                                                      std::vector<std::string> done) {
  const ValueRange range = range_of(settings);
  Pieces::Pointer pieces;
  {
    const Chosen chosen = voxels_in(volume, range);
    if (chosen.voxels == 0) return nothing_there(volume, settings);
    if (chosen.without_value > 0)
      done.push_back(
          fmt::format("{} of the volume's voxels have no value: they count as outside the region, and beside "
                      "them the wall lies half way.",
                      chosen.without_value));
    const auto finder = itk::ConnectedComponentImageFilter<Mask, Pieces>::New();
    finder->SetInput(chosen.mask);
    finder->Update();
    pieces = finder->GetOutput();
    pieces->DisconnectPipeline();
  }
  const auto piece = choose_piece(volume, *pieces, settings, done);
  if (!piece) return tl::unexpected(piece.error());
  const Mask::Pointer mask = mask_of(volume, *pieces, *piece);
  pieces = nullptr;
  if (auto refusal = too_rough(*mask)) return tl::unexpected(std::move(*refusal));
  const auto source = itk::BinaryMask3DMeshSource<Mask, SurfaceMesh>::New();
  source->SetInput(mask);
  source->SetObjectValue(1);
  source->Update();
  const Placer placer(volume, *mask, *piece, settings.label ? std::nullopt : std::optional(range));
  VolumeSurface out{plain_mesh(*source->GetOutput(), placer, voxel_steps(volume).determinant() < 0.0),
                    std::move(done), faces_of(volume), is_oblique(volume)};
  if (out.mesh.triangles.empty())
    return refused(VolumeFault::empty_region, "the region fills the volume from border to border",
                   "give a narrower --range, or another --label");
  return out;
}

/// A place outside may be one of the file's own frame.
void name_frame(VolumeRefusal& refusal, const std::string& frame) {
  if (!frame.empty() && refusal.fault == VolumeFault::outside_region)
    refusal.remedy += " (" + frame.substr(0, frame.size() - 1) + ")";
}

}  // namespace

bool is_volume_name(const std::filesystem::path& input) {
  std::error_code ignored;
  return io_for(input) != nullptr || std::filesystem::is_directory(input, ignored);
}

tl::expected<VolumeSurface, VolumeRefusal> read_volume_surface(const std::filesystem::path& input,
                                                               const VolumeSettings& settings) {
  if (!settings.label && !settings.range)
    return refused(
        VolumeFault::nothing_chosen, "this is a volume, and neither a label nor a range is given",
        "give --label N for a segmentation, or --range LO HI for values: --range -1024 -400 is air in a CT");
  if (settings.label && std::abs(*settings.label) >= kMostLabel)
    return refused(VolumeFault::nothing_chosen,
                   fmt::format("--label {:.0f} is one of {:.0f} or more, which are not told apart",
                               *settings.label, kMostLabel),
                   "give the labels of the volume smaller numbers");
  std::error_code fault;
  const bool folder = std::filesystem::is_directory(input, fault);
  if (!folder && !std::filesystem::is_regular_file(input, fault))
    return refused(VolumeFault::unreadable,
                   std::filesystem::exists(input, fault) ? "this is a pipe or a device, and no file"
                                                         : "there is no such file",
                   "give a volume's file, or a folder of DICOM slices");
  itk::Object::GlobalWarningDisplayOff();  // what is wrong is said in one line
  try {
    std::vector<std::string> done;
    const VolumeResult volume = folder ? read_folder(input, done) : read_file(input, done);
    if (!volume) return tl::unexpected(volume.error());
    const Index size = size_of(**volume);
    if (*std::min_element(size.begin(), size.end()) < 2)
      return refused(VolumeFault::not_a_volume,
                     fmt::format("this has {} x {} x {} voxels, a single slice", size[0], size[1], size[2]),
                     "give the whole volume, two slices or more");
    const auto spacing = (*volume)->GetSpacing();
    VolumeResult taken = settings.crop ? cropped(*volume, *settings.crop, done) : volume;
    const std::string frame = folder ? std::string() : frame_of(input);
    if (!taken) {
      name_frame(taken.error(), frame);
      return tl::unexpected(taken.error());
    }
    done.insert(done.begin(), fmt::format("Read {} x {} x {} voxels of {:.4g} x {:.4g} x {:.4g} mm.", size[0],
                                          size[1], size[2], spacing[0], spacing[1], spacing[2]));
    auto surface = surface_of(**taken, settings, std::move(done));
    if (!surface && surface.error().fault == VolumeFault::outside_region) name_frame(surface.error(), frame);
    return surface;
  } catch (const itk::MemoryAllocationError&) {
    throw std::bad_alloc();
  } catch (const itk::ExceptionObject& error) {
    const std::string words = short_words(error);
    return refused(VolumeFault::unreadable, "this volume can't be read: " + words,
                   words == kSheared ? kSquareAxes : kOtherFormat);
  } catch (const std::bad_alloc&) {
    throw;
  } catch (const std::exception&) {
    return refused(VolumeFault::unreadable, "this volume can't be read: its values are none of its format",
                   kOtherFormat);
  }
}

}  // namespace withy
