// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/scene/places.h"

#include <algorithm>
#include <array>
#include <cctype>
#include <charconv>
#include <cstddef>
#include <iterator>
#include <string>
#include <utility>

#include <fmt/core.h>

#include "geometry/numbers/numbers.h"
#include "planner/files/shown.h"
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

/// A number without an exponent, and as short as it can be.
std::string plain_number(double value) {
  std::array<char, 400> text;  // the smallest double has 325 digits behind its point, and some more
  const auto end = std::to_chars(text.data(), text.data() + text.size(), value, std::chars_format::fixed).ptr;
  return {text.data(), end};
}

/// Does a tip stand there, past the entry plane?
bool fits(const WallDistance& wall, const Vector3d& p_E, double room_mm) {
  return p_E.z() > 0.0 && wall.distance(p_E) >= room_mm && wall.inside(p_E);
}

/// The tip has so much more room than it needs: the place may be rounded to a file's digits.
constexpr double kFileRounding_mm = 1e-3;
/// Less between a place and what its name is about is not worth a word.
constexpr double kSamePlace_mm = 5e-4;
/// Halvings of a piece of the line in which a tip comes to an end: a metre to a nanometre.
constexpr int kPlaceHalvings = 30;

/// The last station of a branch, no farther than `from_mm`, that `stands` says yes to; between the points of
/// the line it is found by halving.
template <class Stands>
std::optional<double> last_station(const CentrelineBranch& branch, double from_mm, const Stands& stands) {
  if (stands(from_mm)) return from_mm;
  double beyond = from_mm;
  for (auto q = branch.points.rbegin(); q != branch.points.rend(); ++q) {
    if (q->station_mm >= from_mm) continue;
    double before = q->station_mm;
    if (!stands(before)) {
      beyond = before;
      continue;
    }
    for (int k = 0; k < kPlaceHalvings; ++k) {
      const double middle = 0.5 * (before + beyond);
      (stands(middle) ? before : beyond) = middle;
    }
    return before;
  }
  return std::nullopt;
}

/// What a place's name is looked up in.
struct Lookup {
  std::string_view name;
  const WallDistance& wall;
  const Centreline& centreline;
  double room_mm = 0.0;
  const Eigen::Isometry3d& X_SE;
};

/// Why a tip that stands at a station of a line stands nowhere farther along it.
std::string why_no_farther(const Lookup& in, const CentrelineBranch& branch, double station_mm) {
  const double next_mm = std::min(station_mm + kSamePlace_mm, branch.length_mm());
  if (along(branch, next_mm).z() <= 0.0)
    return "beyond it the line lies in front of the entry plane, where no wall is held against the body";
  return fmt::format("beyond it the tip does not have the {:.2f} mm of room that it needs", in.room_mm);
}

/// What to give instead of an opening that there is not: one of the others than the entry.
std::string other_openings(const Channel& channel, const std::vector<int>& openings) {
  std::vector<std::size_t> others;
  std::string entry;
  for (std::size_t i = 0; i < openings.size(); ++i) {
    if (channel.openings[static_cast<std::size_t>(openings[i])].is_entry)
      entry = fmt::format(", but not {}, the entry", i + 1);
    else
      others.push_back(i + 1);
  }
  if (others.empty()) return "name another place, for instance \"deepest\"";
  if (others.size() == 1) return fmt::format("give \"opening:{}\"", others.front());
  return fmt::format("give \"opening:N\" with N from 1 to {}{}", openings.size(), entry);
}

tl::expected<NamedPlace, PlaceProblem> at_opening(int number, const Lookup& in) {
  const Channel& channel = in.wall.channel();
  const std::vector<int> openings = numbered_openings(channel);
  if (number > static_cast<int>(openings.size()))
    return no_place(fmt::format("the channel has {}", count_of(openings.size(), "opening")),
                    other_openings(channel, openings));
  const int index = openings[static_cast<std::size_t>(number - 1)];
  const Opening& opening = channel.openings[static_cast<std::size_t>(index)];
  if (opening.is_entry)
    return no_place(fmt::format("opening {} is the entry", number), "name another one for the target");
  for (const CentrelineBranch& branch : in.centreline.branches) {
    if (branch.opening != index) continue;
    const auto station = last_station(branch, branch.length_mm(),
                                      [&](double s) { return fits(in.wall, along(branch, s), in.room_mm); });
    if (!station) continue;
    NamedPlace place{along(branch, *station), {}};
    if (const double short_mm = (place.p_E - opening.centre_E).norm(); short_mm > kSamePlace_mm)
      place.note = fmt::format(
          "{} has its centre at {}; the target lies {:.2f} mm inside of it, the last place on the middle "
          "line where the tip stands: {}{}",
          in.name, spoken_point(in.X_SE * opening.centre_E), short_mm, why_no_farther(in, branch, *station),
          in.wall.has_open_outlet() ? "" : " (that opening is closed, its cap is a wall)");
    return place;
  }
  return no_place(fmt::format("no way that the tip fits through leads to opening {}", number),
                  "name another place, or make the body thinner");
}

/// No place between two points of the line is nearer to the sides than this: their distance changes by no
/// more than one moves.
double least_beside(const CentrelineBranch& branch, double station_mm) {
  const auto next = std::find_if(branch.points.begin(), branch.points.end(),
                                 [&](const CentrelinePoint& q) { return q.station_mm >= station_mm; });
  if (next == branch.points.end()) return branch.points.back().radius_mm;
  if (next == branch.points.begin() || next->station_mm == station_mm) return next->radius_mm;
  const CentrelinePoint& before = *std::prev(next);
  return std::max(0.0, 0.5 * (before.radius_mm + next->radius_mm - (next->station_mm - before.station_mm)));
}

/// What to give instead of a branch that there is not: one of those that there are.
std::string other_branches(const PlaceName& name, std::size_t count) {
  if (count == 0) return "name another place";
  if (count == 1) return fmt::format("give \"{}\"", place_text({PlaceName::Kind::branch, 1, name.percent}));
  return fmt::format("give \"branch:N@{}%\" with N from 1 to {}", plain_number(name.percent), count);
}

tl::expected<NamedPlace, PlaceProblem> on_branch(const PlaceName& name, const Lookup& in) {
  // Distances of two libraries agree to this.
  constexpr double kRounded_mm = 1e-6;
  const CentrelineBranch* branch = branch_of(in.centreline, name.number);
  if (!branch)
    return no_place(
        fmt::format("the lumen has {}", in.centreline.branches.size() == 1
                                            ? std::string("one branch")
                                            : fmt::format("{} branches", in.centreline.branches.size())),
        other_branches(name, in.centreline.branches.size()));
  const double wanted_mm = 0.01 * name.percent * branch->length_mm();
  const double passed_mm = passed_points(*branch).back().station_mm;
  // A narrow lumen is the body's to fit; what stops it here is an end.
  const auto stands = [&](double s) {
    const Vector3d p_E = along(*branch, s);
    const double room_mm = std::min(in.room_mm, least_beside(*branch, std::min(s, passed_mm)));
    return p_E.z() >= -kRounded_mm && in.wall.inside(p_E) && in.wall.distance(p_E) >= room_mm - kRounded_mm;
  };
  const auto station = last_station(*branch, wanted_mm, stands);
  if (!station)
    return no_place(
        fmt::format("no place on branch {} up to {} % of it has room for the tip", name.number,
                    plain_number(name.percent)),
        fmt::format("name a place farther along it, up to branch:{}@100%, or another branch", name.number));
  NamedPlace place{along(*branch, *station), {}};
  if (wanted_mm - *station > kSamePlace_mm)
    place.note =
        fmt::format("{} is at {}; the target lies {:.2f} mm before it, at {:.1f} % of the branch: {}",
                    in.name, spoken_point(in.X_SE * along(*branch, wanted_mm)), wanted_mm - *station,
                    100.0 * *station / branch->length_mm(), why_no_farther(in, *branch, *station));
  return place;
}

tl::expected<NamedPlace, PlaceProblem> at_widest(const Lookup& in) {
  const auto widest = widest_place(in.centreline);
  if (!widest) return no_place("no middle line was found in the lumen", "check the mesh's unit and scale");
  const std::string where = fmt::format("on branch {} at {:.1f} mm, {}", widest->branch + 1,
                                        widest->at.station_mm, spoken_point(in.X_SE * widest->at.p_E));
  if (!fits(in.wall, widest->at.p_E, in.room_mm))
    return no_place(
        fmt::format("the widest place, {}, has {:.2f} mm of room, and the tip needs {:.2f}", where,
                    widest->at.p_E.z() > 0.0 ? in.wall.distance(widest->at.p_E) : 0.0, in.room_mm),
        "name another place, or make the body thinner");
  return NamedPlace{widest->at.p_E,
                    fmt::format("widest has a radius of {:.2f} mm, {}", widest->at.radius_mm, where)};
}

tl::expected<NamedPlace, PlaceProblem> at_deepest(const Lookup& in) {
  const auto ways = ways_in(in.centreline);
  double most = -kInfinity;
  const CentrelineBranch* branch = nullptr;
  double station = 0.0;
  for (std::size_t b = 0; b < ways.size(); ++b)
    for (std::size_t i = 0; i < ways[b].size(); ++i) {
      const CentrelinePoint& q = in.centreline.branches[b].points[i];
      const WayIn& way = ways[b][i];
      if (way.narrowest_mm < in.room_mm || way.depth_mm <= most || !fits(in.wall, q.p_E, in.room_mm))
        continue;
      most = way.depth_mm;
      branch = &in.centreline.branches[b];
      station = q.station_mm;
    }
  if (!branch)
    return no_place(fmt::format("nowhere on the lumen's middle lines does the tip have the {:.2f} mm of room "
                                "that it needs",
                                in.room_mm),
                    "make the body thinner, or check the mesh's unit and scale");
  const auto next = std::find_if(branch->points.begin(), branch->points.end(),
                                 [&](const CentrelinePoint& q) { return q.station_mm > station; });
  if (next != branch->points.end())
    station = last_station(*branch, next->station_mm, [&](double s) {
                return s <= station || fits(in.wall, along(*branch, s), in.room_mm);
              }).value_or(station);
  NamedPlace place{along(*branch, station), {}};
  if (const double left_mm = branch->length_mm() - station; left_mm > kSamePlace_mm)
    place.note =
        fmt::format("deepest is on branch {} at {:.1f} mm; that branch ends {:.2f} mm farther on, at {}: {}",
                    branch - in.centreline.branches.data() + 1, station, left_mm,
                    spoken_point(in.X_SE * branch->points.back().p_E), why_no_farther(in, *branch, station));
  return place;
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

bool is_percentage(double percent) {
  return percent >= 0.0 && percent <= 100.0;
}

/// The place that a text means, whatever its spelling; of a branch with whatever percentage it gives.
std::optional<PlaceName> place_meant(std::string_view written) {
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
  if (!known || place.number < 1) return std::nullopt;
  place.percent += 0.0;  // never "-0"
  return place;
}

/// The same, of the places that there can be.
std::optional<PlaceName> place_like(std::string_view written) {
  const auto place = place_meant(written);
  return place && (place->kind != PlaceName::Kind::branch || is_percentage(place->percent)) ? place
                                                                                            : std::nullopt;
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
  const auto place = place_meant(text);
  const bool meant = place && (!entry || place->kind == PlaceName::Kind::opening);
  if (meant && place->kind == PlaceName::Kind::branch && !is_percentage(place->percent))
    return fmt::format("give \"branch:{}@P%\" with P from 0 to 100", place->number);
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

tl::expected<NamedPlace, PlaceProblem> target_place(std::string_view name, const WallDistance& wall,
                                                    const Centreline& centreline, double room_mm,
                                                    const Eigen::Isometry3d& X_SE) {
  const auto place = parse_place(name);
  if (!place)
    return no_place(fmt::format("\"{}\" names no place", name),
                    place_remedy(name, fmt::format("give {}", kPlaceWords)));
  const Lookup in{name, wall, centreline, room_mm + kFileRounding_mm, X_SE};
  switch (place->kind) {
    case PlaceName::Kind::opening:
      return at_opening(place->number, in);
    case PlaceName::Kind::branch:
      return on_branch(*place, in);
    case PlaceName::Kind::widest:
      return at_widest(in);
    case PlaceName::Kind::deepest:
      break;
  }
  return at_deepest(in);
}

std::vector<CentrelinePoint> passed_points(const CentrelineBranch& branch) {
  if (branch.opening >= 0 || branch.joins >= 0) return branch.points;
  // The wall ahead is as near as the one beside; where the line runs aslant into it, nearer than this.
  constexpr double kAhead = 1.5;
  constexpr double kAslant = 3.0;
  std::size_t closes = branch.points.size();  // from this point on the lumen does nothing but close
  while (closes > 1 && branch.points[closes - 2].radius_mm > branch.points[closes - 1].radius_mm) --closes;
  std::vector<CentrelinePoint> passed;
  for (std::size_t i = 0; i < branch.points.size(); ++i) {
    const CentrelinePoint& q = branch.points[i];
    const double radii = i + 1 >= closes && closes < branch.points.size() ? kAslant : kAhead;
    if (branch.length_mm() - q.station_mm > radii * q.radius_mm) passed.push_back(q);
  }
  return passed.empty() ? branch.points : passed;
}

std::vector<CentrelinePoint> inner_points(const CentrelineBranch& branch) {
  double everywhere = 0.0;
  for (const CentrelinePoint& q : branch.points)
    everywhere += q.radius_mm / static_cast<double>(branch.points.size());
  std::vector<CentrelinePoint> inner;
  for (const CentrelinePoint& q : branch.points)
    if (q.station_mm > 1.5 * everywhere && branch.length_mm() - q.station_mm > 1.5 * everywhere)
      inner.push_back(q);
  return inner.empty() ? branch.points : inner;
}

std::optional<LinePlace> narrowest_place(const Centreline& centreline) {
  std::optional<LinePlace> narrowest;
  for (std::size_t b = 0; b < centreline.branches.size(); ++b)
    for (const CentrelinePoint& q : passed_points(centreline.branches[b]))
      if (!narrowest || q.radius_mm < narrowest->at.radius_mm) narrowest = LinePlace{b, q};
  return narrowest;
}

std::optional<LinePlace> widest_place(const Centreline& centreline) {
  // Middle lines of a plain tube are as wide all along but for rounding: the first such place is one that
  // stays.
  constexpr double kAsWide = 1.0 - 1e-4;
  for (const bool past_entry : {true, false}) {
    std::vector<LinePlace> places;
    double most = 0.0;
    for (std::size_t b = 0; b < centreline.branches.size(); ++b)
      for (const CentrelinePoint& q : inner_points(centreline.branches[b])) {
        if (past_entry && !(q.p_E.z() > 0.0)) continue;
        places.push_back({b, q});
        most = std::max(most, q.radius_mm);
      }
    const auto first = std::find_if(places.begin(), places.end(), [&](const LinePlace& place) {
      return place.at.radius_mm >= kAsWide * most;
    });
    if (first != places.end()) return *first;
  }
  return std::nullopt;
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
