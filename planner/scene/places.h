// SPDX-License-Identifier: GPL-3.0-or-later
// Places of a channel by name: "opening:2", "branch:3@80%", "widest", "deepest".
//
// Openings and branches have the numbers that `withy check` prints. A body goes in by an opening. A tip gets
// to places where it has the room it needs:
//   opening:N    the last such place on the way to that opening
//   branch:N@P%  the place on that branch after P % of its length
//   widest       where the lumen is widest
//   deepest      the farthest from the entry along the middle lines, with that room all the way
//
// Units: mm. Frames: E, S as the names say.
#pragma once

#include <optional>
#include <string>
#include <string_view>

#include <Eigen/Core>
#include <tl/expected.hpp>

#include "geometry/centreline/centreline.h"
#include "geometry/channel/mouths.h"
#include "geometry/channel/wall_distance.h"

namespace withy {

struct PlaceName {
  enum class Kind { opening, branch, widest, deepest };
  Kind kind = Kind::deepest;
  int number = 0;        ///< of the opening or branch, from 1
  double percent = 0.0;  ///< along the branch
};

/// What the four look like, for "give ...".
inline constexpr std::string_view kPlaceWords = "\"opening:2\", \"branch:3@80%\", \"widest\" or \"deepest\"";

/// A place has one spelling: no blanks, no signs, no zeros before or behind what counts.
std::optional<PlaceName> parse_place(std::string_view text);

/// The spelling of a place.
std::string place_text(const PlaceName& place);

/// What to give instead of a text that is no place: the right spelling of the place that it looks like, else
/// `otherwise`. `entry`: only an opening is one.
std::string place_remedy(std::string_view text, std::string otherwise, bool entry = false);

/// What keeps a name from being a place: no full stops.
struct PlaceProblem {
  std::string problem;
  std::string remedy;
};

/// The opening of a wall (in the scene frame) that an entry's name means. Its rim has to be flat to within
/// kOpeningPlaneTolerance_mm.
tl::expected<Mouth, PlaceProblem> entry_place(std::string_view name, const std::vector<Mouth>& mouths);

/// The place in the lumen that a target's name means; `room_mm` is what a tip needs about it.
tl::expected<Eigen::Vector3d, PlaceProblem> target_place_E(std::string_view name, const WallDistance& wall,
                                                           const Centreline& centreline, double room_mm);

/// How far along the middle lines each point of each branch is from the entry, and the least radius on the
/// way.
struct WayIn {
  double depth_mm = 0.0;
  double narrowest_mm = 0.0;
  Eigen::Vector3d narrowest_E = Eigen::Vector3d::Zero();  ///< where that is
};
std::vector<std::vector<WayIn>> ways_in(const Centreline& centreline);

}  // namespace withy
