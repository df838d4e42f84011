// SPDX-License-Identifier: GPL-3.0-or-later
// From a scene to the questions that can be asked of it.
#pragma once

#include <memory>
#include <optional>

#include "planner/scene/scene.h"
#include "planner/search/problem.h"

namespace withy {

/// Finest and coarsest spacing of the distance field (mm): a quarter of the body's radius between them, so
/// that a body touches the wall well before the field knows nothing.
inline constexpr double kFieldCoarsest_mm = 0.25;
inline constexpr double kFieldFinest_mm = 0.05;

/// A scene with its channel's distances at hand, exact ones and field: what several plans of one scene share.
struct PreparedScene {
  Scene scene;
  std::shared_ptr<const ChannelDistance> distance;

  const WallDistance& wall() const { return distance->exact(); }
};

/// Whether distances are looked up in a field with a proved bound, or computed exactly every time (slow; for
/// comparison).
enum class DistanceSource { field, exact };

/// Reads the scene and its channel.
Result<PreparedScene> prepare_scene(const std::filesystem::path& file,
                                    DistanceSource source = DistanceSource::field);

/// The spacing (mm) that suits the scene's body, before the lumen's size is heeded.
double field_spacing(const Scene& scene);

/// A channel's exact distances with a field beside them: what all scenes with the same mesh and entry can
/// share. `spacing_mm` as field_spacing has it; a wide lumen makes it coarser.
std::shared_ptr<const ChannelDistance> prepare_distance(std::shared_ptr<const WallDistance> wall,
                                                        double spacing_mm,
                                                        DistanceSource source = DistanceSource::field);

/// The scene's question with `locks` locks; `clearance_mm` instead of the scene's when given.
Result<SearchProblem> make_problem(const PreparedScene& prepared, int locks,
                                   std::optional<double> clearance_mm = std::nullopt);

/// A question in a channel that is `factor` times as large, its target moved and the entry opening grown with
/// it. Its distances are worked out anew.
SearchProblem in_larger_channel(const SearchProblem& problem, double factor);

}  // namespace withy
