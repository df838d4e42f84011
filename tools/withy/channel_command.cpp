// SPDX-License-Identifier: GPL-3.0-or-later
#include <cstdio>
#include <filesystem>
#include <memory>

#include <fmt/core.h>

#include "geometry/mesh/mesh.h"
#include "geometry/mesh/mesh_bytes.h"
#include "geometry/numbers/numbers.h"
#include "geometry/phantom/channel_maker.h"
#include "geometry/phantom/recipe.h"
#include "planner/files/file_output.h"
#include "tools/withy/commands.h"
#include "tools/withy/interrupt.h"
#include "tools/withy/progress.h"

namespace withy {
namespace {

struct ChannelOptions {
  std::filesystem::path recipe;
  std::filesystem::path mesh;
  double budget_s = kInfinity;
  bool quiet = false;
};

InputError at_tube(const ChannelOptions& options, const ChannelRecipe& recipe, const RecipeRefusal& refusal) {
  const SourcePosition at = recipe.tubes[static_cast<std::size_t>(refusal.tube)].position;
  return {options.recipe.string(), at.line, at.column, refusal.problem, refusal.remedy};
}

ExitStatus make(const ChannelOptions& options) {
  if (const auto place = check_output_file(options.mesh, {options.recipe}); !place)
    return refuse(place.error());
  if (const auto format = mesh_bytes({}, options.mesh); !format) return refuse(format.error());
  const Result<ChannelRecipe> recipe = read_recipe(options.recipe);
  if (!recipe) return refuse(recipe.error());
  Progress progress(options.quiet);
  progress.stage("making the mesh");
  const auto made = make_channel_mesh(*recipe, Effort::of_seconds(options.budget_s));
  if (!made && made.error().fault == RecipeFault::cut_short)
    return say_cut_short(options.budget_s, {"the recipe is read", "the mesh"});
  if (!made) return refuse(at_tube(options, *recipe, made.error()));
  auto bytes = mesh_bytes(made->mesh_S, options.mesh);
  if (!bytes) return refuse(bytes.error());
  {
    const WritingFiles writing;
    if (const auto written = write_whole(options.mesh, std::move(*bytes)); !written)
      return refuse(written.error());
  }
  fmt::print("{}: {} triangles, {} vertices, in mm\n", options.mesh.string(), made->mesh_S.triangles.size(),
             made->mesh_S.vertices.size());
  fmt::print("facets cut at most {:.3f} mm into the lumen of the recipe and leave it by at most {:.3f} mm\n",
             made->facets_inside_mm, made->facets_outside_mm);
  return ExitStatus::done;
}

}  // namespace

void add_channel_command(CommandLine& line) {
  auto options = std::make_shared<ChannelOptions>();
  CLI::App& app = line.add("channel", "Makes a phantom's channel from a middle line and radii, in mm.",
                           "withy channel scenes/straight/recipe.toml -o straight.stl");
  add_option(
      app, "RECIPE", options->recipe,
      "recipe file (TOML): title, ends and far_ends (open or capped), edge_length_mm, optional sides, "
      "blend_mm and "
      "[entry]; then one [[tube]] each with name, pieces = [{ length_mm, bend_deg, plane_deg }, ..] or "
      "points_mm, "
      "radius = [{ station_mm, radius_mm }, ..], radius_between (linear or smooth), and for a branch parent, "
      "at_mm, "
      "turn_deg, plane_deg. scenes/README.md says what each means, scenes/shelf has examples after anatomy")
      .required();
  add_option(app, "-o,--output", options->mesh, "mesh to write, by its ending: .stl, .obj, .ply or .off")
      .required();
  add_budget_option(app, options->budget_s, "making the mesh after the recipe is read");
  add_quiet_option(app, options->quiet);
  line.run(app, [options] { return make(*options); });
}

}  // namespace withy
