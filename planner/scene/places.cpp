// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/scene/places.h"

#include <algorithm>
#include <array>
#include <cctype>
#include <charconv>
#include <cstddef>
#include <string>
#include <utility>

#include <fmt/core.h>

#include "geometry/numbers/numbers.h"
#include "planner/files/words.h"

namespace withy {
namespace {

using Eigen::Vector3d;

template <class Number>
bool whole_text(std::string_view text, Number& value) {
  const auto [end, error] = std::from_chars(text.data(), text.data() + text.size(), value);
  return error == std::errc() && end == text.data() + text.size();
}

tl::unexpected<PlaceProblem> no_place(std::string problem, std::string remedy) {
  return tl::unexpected(PlaceProblem{std::move(problem), std::move(remedy)});
}

const CentrelineBranch* branch_of(const Centreline& centreline, int number) {
  if (number < 1 || number > static_cast<int>(centreline.branches.size())) return nullptr;
  return &centreline.branches[static_cast<std::size_t>(number - 1)];
}

Vector3d along(const CentrelineBranch& branch, double station_mm) {
  const auto next = std::find_if(branch.points.begin(), branch.points.end(),
                                 [&](const CentrelinePoint& q) { return q.station_mm >= station_mm; });
  if (next == branch.points.end()) return branch.points.back().p_E;
  if (next == branch.points.begin()) return next->p_E;
  const CentrelinePoint& a = *std::prev(next);
  const double t = (station_mm - a.station_mm) / (next->station_mm - a.station_mm);
  return a.p_E + t * (next->p_E - a.p_E);
}

/// Does a tip stand there, past the entry plane?
bool fits(const WallDistance& wall, const Vector3d& p_E, double room_mm) {
  return p_E.z() > 0.0 && wall.distance(p_E) >= room_mm && wall.inside(p_E);
}

tl::expected<Vector3d, PlaceProblem> at_opening(int number, const WallDistance& wall,
                                                const Centreline& centreline, double room_mm) {
  const std::vector<int> openings = numbered_openings(wall.channel());
  if (number > static_cast<int>(openings.size()))
    return no_place(fmt::format("the channel has {}", count_of(openings.size(), "opening")),
                    "name one that withy check lists");
  const int index = openings[static_cast<std::size_t>(number - 1)];
  if (wall.channel().openings[static_cast<std::size_t>(index)].is_entry)
    return no_place(fmt::format("opening {} is the entry", number), "name another one for the target");
  for (const CentrelineBranch& branch : centreline.branches) {
    if (branch.opening != index) continue;
    for (auto q = branch.points.rbegin(); q != branch.points.rend(); ++q)
      if (fits(wall, q->p_E, room_mm)) return q->p_E;
  }
  return no_place(fmt::format("no way that the tip fits through leads to opening {}", number),
                  "name another place, or make the body thinner");
}

tl::expected<Vector3d, PlaceProblem> on_branch(const PlaceName& place, const Centreline& centreline) {
  if (const CentrelineBranch* branch = branch_of(centreline, place.number))
    return along(*branch, 0.01 * place.percent * branch->length_mm());
  return no_place(
      fmt::format("the lumen has {}", centreline.branches.size() == 1
                                          ? std::string("one branch")
                                          : fmt::format("{} branches", centreline.branches.size())),
      "name one that withy check lists");
}

tl::expected<Vector3d, PlaceProblem> farthest(PlaceName::Kind kind, const WallDistance& wall,
                                              const Centreline& centreline, double room_mm) {
  const auto ways = ways_in(centreline);
  double most = -kInfinity;
  Vector3d best = Vector3d::Zero();
  for (std::size_t b = 0; b < ways.size(); ++b)
    for (std::size_t i = 0; i < ways[b].size(); ++i) {
      const CentrelinePoint& q = centreline.branches[b].points[i];
      const double worth = kind == PlaceName::Kind::widest ? q.radius_mm : ways[b][i].depth_mm;
      const bool reached = kind == PlaceName::Kind::widest || ways[b][i].narrowest_mm >= room_mm;
      if (!reached || worth <= most || !fits(wall, q.p_E, room_mm)) continue;
      most = worth;
      best = q.p_E;
    }
  if (most > -kInfinity) return best;
  return no_place(fmt::format("nowhere on the lumen's middle lines does the tip have the {:.2f} mm of room "
                              "that it needs",
                              room_mm),
                  "make the body thinner, or check the mesh's unit and scale");
}

/// A number without an exponent, and as short as it can be.
std::string plain_number(double value) {
  std::array<char, 400> text;  // the smallest double has 325 digits behind its point, and some more
  const auto end = std::to_chars(text.data(), text.data() + text.size(), value, std::chars_format::fixed).ptr;
  return {text.data(), end};
}

/// What a place's name may be written with besides its one spelling: blanks, capitals, quotes.
std::string bare(std::string_view text) {
  std::string plain;
  for (const char c : text)
    if (std::string_view(" \t\"'").find(c) == std::string_view::npos)
      plain += static_cast<char>(std::tolower(static_cast<unsigned char>(c)));
  return plain;
}

/// A number that may have a plus sign.
template <class Number>
bool signed_number(std::string_view text, Number& value) {
  if (text.starts_with('+')) text.remove_prefix(1);
  return whole_text(text, value);
}

/// The place that a text means, whatever its spelling.
std::optional<PlaceName> place_like(std::string_view written) {
  const std::string plain = bare(written);
  std::string_view text = plain;
  PlaceName place;
  if (text == "widest") return PlaceName{PlaceName::Kind::widest};
  if (text == "deepest") return PlaceName{PlaceName::Kind::deepest};
  if (text.starts_with("opening:")) {
    place.kind = PlaceName::Kind::opening;
    if (signed_number(text.substr(8), place.number) && place.number >= 1) return place;
    return std::nullopt;
  }
  const std::size_t at = text.find('@');
  if (!text.starts_with("branch:") || at == std::string_view::npos) return std::nullopt;
  while (text.ends_with('%')) text.remove_suffix(1);
  place.kind = PlaceName::Kind::branch;
  const bool known = at < text.size() && signed_number(text.substr(7, at - 7), place.number) &&
                     signed_number(text.substr(at + 1), place.percent);
  if (!known || place.number < 1 || !(place.percent >= 0.0 && place.percent <= 100.0)) return std::nullopt;
  place.percent += 0.0;  // never "-0"
  return place;
}

}  // namespace

std::optional<PlaceName> parse_place(std::string_view text) {
  const auto place = place_like(text);
  return place && place_text(*place) == text ? place : std::nullopt;
}

std::string place_text(const PlaceName& place) {
  switch (place.kind) {
    case PlaceName::Kind::opening:
      return fmt::format("opening:{}", place.number);
    case PlaceName::Kind::branch:
      return fmt::format("branch:{}@{}%", place.number, plain_number(place.percent));
    case PlaceName::Kind::widest:
      return "widest";
    case PlaceName::Kind::deepest:
      break;
  }
  return "deepest";
}

std::string place_remedy(std::string_view text, std::string otherwise, bool entry) {
  const auto place = place_like(text);
  const bool meant = place && (!entry || place->kind == PlaceName::Kind::opening);
  return meant ? fmt::format("give \"{}\"", place_text(*place)) : std::move(otherwise);
}

tl::expected<Mouth, PlaceProblem> entry_place(std::string_view name, const std::vector<Mouth>& mouths) {
  const auto place = parse_place(name);
  if (!place || place->kind != PlaceName::Kind::opening)
    return no_place(fmt::format("\"{}\" names no opening", name),
                    place_remedy(name, "give \"opening:1\" for the one with the longest rim", true));
  if (mouths.empty())
    return no_place("the mesh is closed, so it has no opening to name",
                    "open it by withy scene MESH --cut X Y Z NX NY NZ, or give point_mm and axis");
  if (place->number > static_cast<int>(mouths.size()))
    return no_place(fmt::format("the mesh has {}", count_of(mouths.size(), "opening")),
                    mouths.size() == 1
                        ? std::string("give \"opening:1\"")
                        : fmt::format("give \"opening:N\" with N from 1 to {}", mouths.size()));
  const Mouth& mouth = mouths[static_cast<std::size_t>(place->number - 1)];
  if (mouth.spread_mm > kOpeningPlaneTolerance_mm)
    return no_place(
        fmt::format("the rim of opening {} is uneven by {:.2f} mm", place->number, mouth.spread_mm),
        "cut it flat by withy scene MESH --cut X Y Z NX NY NZ");
  return mouth;
}

tl::expected<Vector3d, PlaceProblem> target_place_E(std::string_view name, const WallDistance& wall,
                                                    const Centreline& centreline, double room_mm) {
  const auto place = parse_place(name);
  if (!place)
    return no_place(fmt::format("\"{}\" names no place", name),
                    place_remedy(name, fmt::format("give {}", kPlaceWords)));
  switch (place->kind) {
    case PlaceName::Kind::opening:
      return at_opening(place->number, wall, centreline, room_mm);
    case PlaceName::Kind::branch:
      return on_branch(*place, centreline);
    case PlaceName::Kind::widest:
    case PlaceName::Kind::deepest:
      break;
  }
  return farthest(place->kind, wall, centreline, room_mm);
}

std::vector<std::vector<WayIn>> ways_in(const Centreline& centreline) {
  std::vector<std::vector<WayIn>> ways;
  for (const CentrelineBranch& branch : centreline.branches) {
    WayIn way{0.0, kInfinity};
    if (branch.parent >= 0) {
      const auto& parent = centreline.branches[static_cast<std::size_t>(branch.parent)];
      const auto& before = ways[static_cast<std::size_t>(branch.parent)];
      for (std::size_t i = 0; i < parent.points.size(); ++i)
        if (parent.points[i].station_mm <= branch.parent_station_mm + 1e-9) way = before[i];
    }
    const double from_mm = way.depth_mm;
    std::vector<WayIn> points;
    for (const CentrelinePoint& q : branch.points) {
      way.depth_mm = from_mm + q.station_mm;
      if (q.radius_mm < way.narrowest_mm) way.narrowest_mm = q.radius_mm, way.narrowest_E = q.p_E;
      points.push_back(way);
    }
    ways.push_back(std::move(points));
  }
  return ways;
}

}  // namespace withy
