// SPDX-License-Identifier: GPL-3.0-or-later
// `withy scene`: from a mesh or a volume to a scene that can be planned in.
#include <filesystem>
#include <memory>
#include <optional>
#include <set>
#include <string>
#include <vector>

#include <Eigen/Geometry>
#include <fmt/core.h>

#include "geometry/mesh/mesh.h"
#include "geometry/mesh/mesh_bytes.h"
#include "geometry/mesh/mesh_reader.h"
#include "geometry/mesh/polygon_mesh.h"
#include "geometry/numbers/numbers.h"
#include "geometry/repair/repair.h"
#include "geometry/repair/triangulate.h"
#include "geometry/volume/volume.h"
#include "planner/anatomy/scene_draft.h"
#include "planner/files/file_output.h"
#include "planner/files/input_file.h"
#include "planner/files/plain_line.h"
#include "planner/files/shown.h"
#include "planner/scene/tip_places.h"
#include "planner/show/channel_picture.h"
#include "planner/show/channel_report.h"
#include "tools/withy/commands.h"
#include "tools/withy/interrupt.h"
#include "tools/withy/number_lists.h"
#include "tools/withy/progress.h"

namespace withy {
namespace {

constexpr const char* kMeshName = "channel.obj";
constexpr const char* kSceneName = "scene.toml";

struct SceneOptions {
  std::filesystem::path input;
  std::filesystem::path folder;
  std::string unit;  ///< left out: empty, which is mm
  double scale = 1.0;
  std::optional<double> label;
  std::vector<double> range;
  std::vector<double> keep_at;
  std::vector<double> cuts;
  std::vector<double> crop;
  bool body = false;
  double close_below_mm = 1.5;
  std::optional<double> wrap_mm;
  double smooth_mm = 0.0;
  std::string entry = "opening:1";
  std::string target = "deepest";
  double budget_s = kInfinity;
  bool quiet = false;
};

/// The files of an answer.
std::set<std::string> scene_names() {
  return {kMeshName, kSceneName, "picture.png", "report.txt"};
}

Eigen::Vector3d triple(const std::vector<double>& numbers, std::size_t from) {
  return {numbers[from], numbers[from + 1], numbers[from + 2]};
}

/// A box by two opposite corners.
std::optional<Eigen::AlignedBox3d> box_of(const std::vector<double>& numbers, double scale) {
  if (numbers.empty()) return std::nullopt;
  Eigen::AlignedBox3d box(triple(numbers, 0) / scale);
  box.extend(Eigen::Vector3d(triple(numbers, 3) / scale));
  return box;
}

/// The axis along which a box is flat.
std::optional<char> flat_side(const std::vector<double>& corners) {
  for (std::size_t k = 0; k + 3 < corners.size(); ++k)
    if (corners[k] == corners[k + 3]) return static_cast<char>('X' + k);
  return std::nullopt;
}

InputError about_input(const SceneOptions& options, const std::string& problem, const std::string& remedy) {
  return {options.input.string(), 1, 1, problem, remedy};
}

/// A file whose ending is that of no mesh and no volume.
bool is_neither(const std::filesystem::path& input) {
  return !mesh_format(input) && !is_volume_name(input);
}

/// A header and its voxels apart, which no reader here takes.
bool is_half_volume(const std::filesystem::path& input) {
  return input.extension() == ".hdr" || input.extension() == ".img";
}

/// What can be told wrong of the arguments before any work is done.
std::optional<ExitStatus> scene_refused_at_once(const SceneOptions& options) {
  for (std::size_t i = 0; i + 5 < options.cuts.size(); i += 6)
    if (!(triple(options.cuts, i + 3).norm() > 0.0))
      return refuse_arguments("scene",
                              "--cut: the direction NX NY NZ has no length; give the one out of the lumen");
  if (is_volume_name(options.input) && options.label.has_value() != options.range.empty())
    return refuse_arguments(
        "scene", options.label ? "--label and --range are both given; give one of them"
                               : "a volume needs --label N (a segmentation) or --range LO HI (values)");
  if (is_half_volume(options.input))
    return refuse(about_input(options, "this is one of the two files of a NIfTI or Analyze volume",
                              "export it as one file, .nii or .nii.gz"));
  if (is_neither(options.input))
    return refuse(about_input(options,
                              fmt::format("\"{}\" is the ending of no mesh and no volume that withy reads",
                                          options.input.extension().string()),
                              "give a mesh (.stl, .obj, .ply, .off), a volume (.nrrd, .nhdr, .nii, .nii.gz, "
                              ".mha, .mhd) or a folder "
                              "of DICOM slices"));
  if (!is_volume_name(options.input) && (options.label || !options.range.empty()))
    return refuse_arguments(
        "scene",
        "--label and --range are for volumes (.nrrd, .nhdr, .nii, .nii.gz, .mha, .mhd or a folder of "
        "DICOM slices), and the input is none; leave them out for a mesh");
  if (is_volume_name(options.input) && !options.unit.empty())
    return refuse_arguments(
        "scene",
        "--unit is for meshes, and a volume's header gives its own; leave it out, or give "
        "--scale");
  if (const auto flat = flat_side(options.crop))
    return refuse_arguments("scene",
                            fmt::format("--crop: the box has no thickness along {0}, its two corners have "
                                        "the same {0}; give two opposite corners, X0 Y0 Z0 X1 Y1 Z1",
                                        *flat));
  if (!options.range.empty() && options.range[0] > options.range[1])
    return refuse_arguments("scene", "--range: LO is above HI; give the lower value first");
  if (options.body && options.wrap_mm)
    return refuse_arguments(
        "scene",
        "--body and --wrap are both given, and a wrap goes round the body's outside; give one of "
        "them");
  const auto entry = parse_place(options.entry);
  if (!entry || entry->kind != PlaceName::Kind::opening)
    return refuse_arguments(
        "scene",
        fmt::format("--entry: \"{}\" names no opening; {}", options.entry,
                    place_remedy(options.entry, "give opening:1 for the one with the longest rim", true)));
  if (!parse_place(options.target))
    return refuse_arguments("scene",
                            fmt::format("--target: \"{}\" names no place; {}", options.target,
                                        place_remedy(options.target, fmt::format("give {}", kPlaceWords))));
  if (const auto place = check_output_folder(options.folder, scene_names(), {options.input}); !place)
    return refuse(place.error());
  return std::nullopt;
}

/// The faces of the volume or of its crop, where the surface has been scaled.
std::vector<CutPlane> faces_at_scale(const VolumeSurface& surface, double scale) {
  std::vector<CutPlane> faces;
  for (const VolumeFace& face : surface.faces) faces.push_back({scale * face.point, face.outward});
  return faces;
}

RepairSettings repair_settings(const SceneOptions& options, const VolumeSurface& surface,
                               const Effort& effort) {
  RepairSettings settings;
  settings.effort = effort;
  if (!options.keep_at.empty()) settings.keep_at = triple(options.keep_at, 0);
  for (std::size_t i = 0; i + 5 < options.cuts.size(); i += 6)
    settings.cuts.push_back({triple(options.cuts, i), triple(options.cuts, i + 3)});
  // A volume is cropped by whole voxels; an oblique one's go beyond the box.
  if (!is_volume_name(options.input) || surface.oblique) settings.crop = box_of(options.crop, 1.0);
  settings.body = options.body;
  settings.close_below_mm = options.close_below_mm;
  settings.wrap_mm = options.wrap_mm.value_or(0.0);
  settings.smooth_mm = options.smooth_mm;
  settings.box_faces = faces_at_scale(surface, options.scale);
  return settings;
}

/// What was found and done before there was a scene.
std::vector<ReportLine> repair_report(const SceneOptions& options, const Repaired& repaired) {
  std::vector<ReportLine> lines = {{"input", without_controls(options.input.string())}};
  constexpr std::size_t kMostPieces = 8;
  for (std::size_t i = 0; i < repaired.pieces.size() && i < kMostPieces; ++i) {
    const PieceFigures& piece = repaired.pieces[i];
    lines.push_back(
        {"piece", fmt::format("{}: {} triangles, {:.1f} mm² about {}{}", i + 1, piece.triangles,
                              piece.area_mm2, spoken_point(piece.centre), piece.kept ? ", taken" : "")});
  }
  if (repaired.pieces.size() > kMostPieces)
    lines.push_back({"piece", fmt::format("and {} smaller ones", repaired.pieces.size() - kMostPieces)});
  return lines;
}

std::vector<ReportLine> wall_report(const Repaired& figures, const SceneDraft& draft) {
  std::vector<ReportLine> lines;
  for (const std::string& done : draft.done) lines.push_back({"done", done});
  lines.push_back(
      {"moved",
       fmt::format(
           "no point of the wall is farther than {:.3f} mm from what was given{}{}{}", figures.moved_mm,
           figures.swallowed_mm > 0.0
               ? fmt::format("; the other way round, what the wrap has swallowed or left out lies up to "
                             "{:.3f} mm from it",
                             figures.swallowed_mm)
               : std::string(", nor the other way round"),
           figures.smoothed_mm > 0.0
               ? fmt::format("; smoothing moved it by at most {:.3f} mm more", figures.smoothed_mm)
               : std::string(),
           draft.trimmed_mm > 0.0
               ? fmt::format("; what was cut off uneven ends, up to {:.2f} mm, is left out of this",
                             draft.trimmed_mm)
               : std::string())});
  lines.push_back({"handles", fmt::format("{}", figures.handles)});
  return lines;
}

/// A scene that was there may have been edited: it stays beside the new one as scene.N.toml. Returns its
/// name.
std::string keep_old_scene(const std::filesystem::path& folder, const std::string& toml, FileBatch& batch) {
  const auto old = read_text_input(folder / kSceneName);
  if (!old || *old == toml) return {};
  for (int number = 1;; ++number) {
    const std::string name = fmt::format("scene.{}.toml", number);
    std::error_code ignored;
    if (!std::filesystem::exists(folder / name, ignored)) {
      batch.add(folder / name, *old);
      return name;
    }
    if (const auto kept = read_text_input(folder / name); kept && *kept == *old) return name;
  }
}

ExitStatus write_scene_files(const SceneOptions& options, SceneDraft& draft, const std::string& report) {
  FileBatch batch;
  batch.owns(options.folder, scene_names());
  auto mesh = mesh_bytes(draft.mesh, options.folder / kMeshName);
  if (!mesh) return refuse(mesh.error());
  batch.add(options.folder / kMeshName, std::move(*mesh));
  const std::string kept = keep_old_scene(options.folder, draft.toml, batch);
  batch.add(options.folder / kSceneName, draft.toml);
  batch.add(options.folder / "report.txt", report);
  batch.add(options.folder / "picture.png",
            draw_channel(draft.scene, draft.wall->channel(), draft.centreline, PictureFormat::png));
  const WritingFiles writing;
  if (const auto written = batch.commit(); !written) return refuse(written.error());
  if (!kept.empty())
    fmt::print("{:<13}{}, the scene that was there\n", "kept", (options.folder / kept).string());
  fmt::print("{:<13}{}\n", "written", (options.folder / kSceneName).string());
  return ExitStatus::done;
}

ExitStatus draft(const SceneOptions& options, Repaired repaired, const Effort& effort, Progress& progress) {
  std::vector<ReportLine> lines = repair_report(options, repaired);
  Repaired figures;
  figures.moved_mm = repaired.moved_mm;
  figures.smoothed_mm = repaired.smoothed_mm;
  figures.swallowed_mm = repaired.swallowed_mm;
  figures.handles = repaired.handles;
  progress.stage("placing entry and target");
  auto made = draft_scene(
      std::move(repaired),
      {without_controls(options.input.stem().string()), kMeshName, options.entry, options.target,
       !options.range.empty(), !is_volume_name(options.input), options.body, !options.crop.empty(), effort});
  if (effort.cut_short())
    return say_cut_short(options.budget_s, {"the wall is mended", "placing entry and target"});
  if (!made) return refuse(about_input(options, made.error().problem, made.error().remedy));
  const auto add = [&](const std::vector<ReportLine>& more) {
    lines.insert(lines.end(), more.begin(), more.end());
  };
  add(wall_report(figures, *made));
  made->scene.mesh_file = options.folder / kMeshName;
  add(channel_report(made->scene, made->wall->channel(), made->centreline));
  const auto design = made->scene.design(made->scene.layout_in_use);
  if (!design) return refuse(design.error());
  add(body_report(*design, made->wall->distance(Eigen::Vector3d::Zero())));
  if (!made->target_note.empty()) lines.push_back({"target", made->target_note});
  if (const auto fault = fault_at_entry(made->scene, *made->wall)) lines.push_back({"target", *fault});
  const std::string text = report_text(lines);
  fmt::print("{}", text);
  progress.stage("writing");
  return write_scene_files(options, *made, text);
}

/// The triangles that the input is or has, in mm; and what was read and taken.
Result<VolumeSurface> read_surface(const SceneOptions& options) {
  if (!is_volume_name(options.input)) {
    auto mesh =
        read_polygon_mesh(options.input, *parse_length_unit(options.unit.empty() ? "mm" : options.unit));
    if (!mesh) return tl::unexpected(mesh.error());
    VolumeSurface surface;
    surface.mesh = triangulated(std::move(*mesh), surface.done);
    return surface;
  }
  VolumeSettings settings;
  settings.label = options.label;
  if (!options.range.empty()) settings.range = ValueRange{options.range[0], options.range[1]};
  // Places are those of the scene; the volume's own are what they were before --scale.
  if (!options.keep_at.empty()) settings.keep_at = triple(options.keep_at, 0) / options.scale;
  settings.crop = box_of(options.crop, options.scale);
  for (std::size_t i = 0; i + 5 < options.cuts.size(); i += 6)
    settings.cuts.push_back(triple(options.cuts, i) / options.scale);
  auto surface = read_volume_surface(options.input, settings);
  if (!surface)
    return tl::unexpected(InputError{options.input.string(), surface.error().line, 1, surface.error().problem,
                                     surface.error().remedy});
  return std::move(*surface);
}

ExitStatus run_scene(const SceneOptions& options) {
  if (const auto refused = scene_refused_at_once(options)) return *refused;
  Progress progress(options.quiet);
  progress.stage("reading");
  auto surface = read_surface(options);
  if (!surface) return refuse(surface.error());
  for (Eigen::Vector3d& v : surface->mesh.vertices) v *= options.scale;
  progress.stage("mending the wall");
  // The clock runs from here: ITK's reading of a volume can't be ended midway.
  const Effort effort = Effort::of_seconds(options.budget_s);
  auto repaired = repair_lumen(surface->mesh, repair_settings(options, *surface, effort));
  if (!repaired && repaired.error().fault == RepairFault::cut_short)
    return say_cut_short(options.budget_s, {"the triangles are read", repaired.error().problem});
  if (!repaired) return refuse(about_input(options, repaired.error().problem, repaired.error().remedy));
  repaired->done.insert(repaired->done.begin(), surface->done.begin(), surface->done.end());
  return draft(options, std::move(*repaired), effort, progress);
}

void add_volume_options(CLI::App& app, SceneOptions& options) {
  add_option(app, "--label", options.label, "of a segmented volume: the lumen is the voxels of this value")
      .in_range_of("--label");
  add_numbers(app, "--range", options.range, 2, false,
              "LO HI, of a volume: the lumen is the voxels with values from LO to HI: -1024 -400 is air in a "
              "CT (HU), "
              "150 600 blood with contrast as a rule; the wall lies where values leave the range")
      .in_range_of("--range");
}

void add_wall_options(CLI::App& app, SceneOptions& options) {
  add_option(app, "--unit", options.unit, "the mesh's unit: mm (default), cm, m or in")
      .one_of({"mm", "cm", "m", "in"});
  add_option(app, "--scale", options.scale, "enlarges the mesh or the volume by this factor; default 1")
      .in_range_of("--mesh-scale");
  add_numbers(
      app, "--keep-at", options.keep_at, 3, false,
      "X Y Z in mm: take the piece that holds this point or is nearest to it; left out: the largest, and of "
      "a wall's two skins the inner one. Places are in the frame of the scene: a mesh's own; of a NIfTI "
      "file and of a RAS NRRD file LPS, x and y with the other sign")
      .in_range_of("--keep-at");
  add_numbers(app, "--crop", options.crop, 6, false,
              "X0 Y0 Z0 X1 Y1 Z1 in mm: leave out all that lies outside the box with these two opposite "
              "corners; the lumen is open where the box's faces cross it")
      .in_range_of("--crop");
  add_numbers(
      app, "--cut", options.cuts, 6, true,
      "X Y Z NX NY NZ: open the lumen where the plane through the point X Y Z in it crosses it; what hangs "
      "there on the side that N points to is taken away. As often as there are ends to open")
      .in_range_of("--cut");
  add_flag(app, "--body", options.body,
           "the mesh is a solid round the lumen, as a block to be printed: take the lumen's wall, of several "
           "lumens "
           "the largest or the one at --keep-at");
  add_option(app, "--close-below", options.close_below_mm,
             "close holes with a radius below this many mm, but none that --cut makes; default 1.5")
      .in_range_of("--close-below");
  add_option(app, "--wrap", options.wrap_mm,
             "wrap all of the mesh in a new surface, gaps narrower than this many mm closed, wider ends open "
             "again; it joins pieces that cross and goes round the outside, over inner skins; left out: only "
             "where faces cross and nothing else helps")
      .in_range_of("--wrap");
  add_option(app, "--smooth", options.smooth_mm,
             "smooth the wall, no point of it moved by more than this many mm; default 0")
      .in_range_of("--smooth");
}

}  // namespace

void add_scene_command(CommandLine& line) {
  auto options = std::make_shared<SceneOptions>();
  CLI::App& app = line.add(
      "scene",
      "From a lumen's mesh, or a volume that shows it, to a scene: takes one piece of it, opens and mends "
      "its wall, places entry and "
      "target, and "
      "writes channel.obj, scene.toml (ready to edit), picture.png and report.txt.",
      "withy scene tests/assets/meshes/good/open-both-ends.off -o out --entry opening:1 --target deepest");
  add_option(
      app, "INPUT", options->input,
      "mesh (.stl, .obj, .ply, .off), volume (.nrrd, .nhdr, .nii, .nii.gz, .mha, .mhd), or a folder of DICOM "
      "slices")
      .required();
  add_option(app, "-o,--output", options->folder,
             "folder for what is written; another scene.toml that is there stays as scene.1.toml and so on")
      .required();
  add_volume_options(app, *options);
  add_wall_options(app, *options);
  add_option(
      app, "--entry", options->entry,
      "opening:N; 1 has the longest rim, and so on, those of one length go by x, y and z of their middle. "
      "Uneven ends are cut flat first, whichever is the entry; default opening:1");
  add_option(app, "--target", options->target,
             "opening:N, branch:N@P% (P percent along it), widest or deepest; default deepest");
  add_budget_option(app, options->budget_s, "mending and placing after the mesh or volume is read");
  add_quiet_option(app, options->quiet);
  line.run(app, [options] { return run_scene(*options); });
}

}  // namespace withy
