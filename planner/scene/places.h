// SPDX-License-Identifier: GPL-3.0-or-later
// Places of a channel by name: "opening:2", "branch:3@80%", "widest", "deepest".
//
// Openings and branches have the numbers that `withy check` prints. A body goes in by an opening. A tip gets
// to places where it has the room it needs:
//   opening:N    the last such place on the way to that opening: its centre, or as near to it as its cap or
//   rim
//                lets the tip come
//   branch:N@P%  the place on that branch after P % of its length; towards an end that stops the tip, the
//   last
//                one before that has the room, or the branch's own where that is less
//   widest       where the lumen is widest, past the entry and away from the branches' ends
//   deepest      the farthest from the entry along the middle lines, with that room all the way
// Where a tip can't get to what a name is about, the note of the place says how far from it the place lies.
//
// Units: mm. Frames: E, S as the names say.
#pragma once

#include <cstddef>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include <Eigen/Core>
#include <Eigen/Geometry>
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

/// A place that a target's name means.
struct NamedPlace {
  Eigen::Vector3d p_E = Eigen::Vector3d::Zero();
  /// What there is to say of it, a sentence without its full stop: how far from what the name is about it
  /// lies and why, or how wide the lumen is there. Empty where it is the named place itself.
  std::string note;
};

/// The place in the lumen that a target's name means; `room_mm` is what a tip needs about it, X_SE the entry
/// frame in the scene's, which the note has its places in.
tl::expected<NamedPlace, PlaceProblem> target_place(std::string_view name, const WallDistance& wall,
                                                    const Centreline& centreline, double room_mm,
                                                    const Eigen::Isometry3d& X_SE);

/// The points of a branch that whoever follows it passes: all of one that ends in an opening or joins
/// another. Of a blind one those where the end's wall is farther off than the wall beside: by half, and on
/// the last part, on which the lumen does nothing but close, three times as far.
std::vector<CentrelinePoint> passed_points(const CentrelineBranch& branch);

/// The points of a branch that its ends don't draw: near them the lumen is the end's. All where that leaves
/// none.
std::vector<CentrelinePoint> inner_points(const CentrelineBranch& branch);

/// A point of the middle lines.
struct LinePlace {
  std::size_t branch = 0;  ///< index
  CentrelinePoint at;
};

/// Where the lumen is narrowest: of all passed points the first with the least radius. Nothing where there
/// are no lines.
std::optional<LinePlace> narrowest_place(const Centreline& centreline);

/// Where the lumen is widest: of all inner points past the entry plane (of all inner points where none lies
/// there) the first that is as wide as any, to a ten-thousandth. Nothing where there are no lines.
std::optional<LinePlace> widest_place(const Centreline& centreline);

/// How far along the middle lines each point of each branch is from the entry, and the least radius on the
/// way.
struct WayIn {
  double depth_mm = 0.0;
  double narrowest_mm = 0.0;
  Eigen::Vector3d narrowest_E = Eigen::Vector3d::Zero();  ///< where that is
};
std::vector<std::vector<WayIn>> ways_in(const Centreline& centreline);

}  // namespace withy
