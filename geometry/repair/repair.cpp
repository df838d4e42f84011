// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/repair/repair.h"

#include <algorithm>
#include <cmath>
#include <utility>

#include <fmt/core.h>

#include "geometry/numbers/numbers.h"
#include "geometry/repair/body_lumen.h"
#include "geometry/repair/crossings.h"
#include "geometry/repair/deviation.h"
#include "geometry/repair/nearest_place.h"
#include "geometry/repair/pieces.h"
#include "geometry/repair/smooth.h"
#include "planner/effort/geometry_shares.h"
#include "planner/files/words.h"

namespace withy {
namespace {

using Eigen::Vector3d;

/// A piece within another counts as the same wall's inner skin when it is so large a share of the outer one,
/// in area, in its box's longest extent and in each. A wall may be thick, but goes along all of the lumen.
constexpr double kSkinArea = 0.4;
constexpr double kSkinLength = 0.75;
constexpr double kSkinExtent = 0.4;
/// "Within": so many of its vertices are; those on a common rim are not.
constexpr double kWithinShare = 0.8;

/// A wrap by itself is as fine as this share of the lumen's radius, and lies off the surface by that share of
/// it.
constexpr double kWrapShare = 0.3;
constexpr double kOffsetShare = 0.05;
/// A wrap's flat end may lie so many offsets off what it wraps, and is opened so far in.
constexpr double kWrapEndOffsets = 4.0;

/// A wrap has about this many faces in a square as wide as its gaps are.
constexpr double kWrapFaces = 2.3;

/// A cut in an end's plane is so near to the nearest place in the lumen, as that is printed.
constexpr double kAtEnd_mm = 0.005;

/// A lumen's end so many of its radii deep in its body's box has a mouth, where the body's faces on it rise
/// by so many of them.
constexpr double kMouthRadii = 0.5;
constexpr double kMouthRise = 0.1;

/// Another piece that crosses the one taken is a branch, not a speck, where its area is so large a share of
/// it.
constexpr double kBranchArea = 0.02;

/// What is going on, should the effort end it.
constexpr const char* kWrapping = "wrapping the surface; a wider --wrap takes less time";

std::string place(const Vector3d& p) {
  return fmt::format("({:.2f}, {:.2f}, {:.2f}) mm", p.x() + 0.0, p.y() + 0.0, p.z() + 0.0);
}

tl::unexpected<RepairRefusal> refused(RepairFault fault, std::string problem, std::string remedy) {
  return tl::unexpected(RepairRefusal{fault, std::move(problem), std::move(remedy)});
}

/// What was going on when the effort ended it; nothing where it did not.
std::optional<RepairRefusal> cut_short(const Effort& effort, std::string doing) {
  if (!effort.cut_short()) return std::nullopt;
  return RepairRefusal{RepairFault::cut_short, std::move(doing), "give a larger --budget"};
}

std::vector<Vector3d> some_vertices(const TriangleMesh& mesh) {
  std::vector<Vector3d> some;
  const std::size_t step = mesh.vertices.size() / shares::kVerticesAsked + 1;
  for (std::size_t i = 0; i < mesh.vertices.size(); i += step) some.push_back(mesh.vertices[i]);
  return some;
}

bool lies_within(const MeshPiece& inner, const MeshPiece& outer) {
  return outer.box.contains(inner.box) && share_inside(outer.mesh, some_vertices(inner.mesh)) >= kWithinShare;
}

bool as_large(const MeshPiece& inner, const MeshPiece& outer) {
  return inner.area_mm2 >= kSkinArea * outer.area_mm2 &&
         inner.box.sizes().maxCoeff() >= kSkinLength * outer.box.sizes().maxCoeff() &&
         (inner.box.sizes().array() >= kSkinExtent * outer.box.sizes().array()).all();
}

double distance_to(const MeshPiece& piece, const Vector3d& p) {
  double least = kInfinity;
  for (const Vector3d& v : piece.mesh.vertices) least = std::min(least, (v - p).squaredNorm());
  return least;
}

/// The smallest piece that holds the point, or the one with the nearest vertex, which is then said.
std::size_t piece_at(const std::vector<MeshPiece>& pieces, const Vector3d& p,
                     std::vector<std::string>& done) {
  for (std::size_t i = pieces.size(); i-- > 0;)
    if (pieces[i].box.contains(p) && share_inside(pieces[i].mesh, {p}) > 0.0) return i;
  std::size_t best = 0;
  for (std::size_t i = 1; i < pieces.size(); ++i)
    if (distance_to(pieces[i], p) < distance_to(pieces[best], p)) best = i;
  done.push_back(fmt::format("No piece holds the point of --keep-at: took the nearest, {:.2f} mm from it.",
                             distance_to_surface(pieces[best].mesh, p)));
  return best;
}

/// The largest piece; where a wall was given with both its skins, the inner one.
std::size_t main_piece(const std::vector<MeshPiece>& pieces, const Effort& effort,
                       std::vector<std::string>& done) {
  std::size_t best = 0;
  for (std::size_t i = 1; i < pieces.size() && !effort.cut_short(); ++i) {
    if (!as_large(pieces[i], pieces[best]) || !lies_within(pieces[i], pieces[best])) continue;
    done.push_back(
        "The wall has two skins, one inside the other: took the inner one (--keep-at X Y Z takes another).");
    best = i;
  }
  return best;
}

void note_others(const std::vector<MeshPiece>& pieces, std::size_t kept, Repaired& out) {
  double area = 0.0;
  double others = 0.0;
  for (std::size_t i = 0; i < pieces.size(); ++i) {
    out.pieces.push_back(
        {pieces[i].mesh.triangles.size(), pieces[i].area_mm2, pieces[i].box.center(), i == kept});
    area += pieces[i].area_mm2;
    if (i != kept) others += pieces[i].area_mm2;
  }
  if (pieces.size() < 2 || kept == pieces.size()) return;
  out.done.push_back(
      fmt::format("Took one of {} pieces, {:.1f} % of the area (--keep-at X Y Z takes another).",
                  pieces.size(), 100.0 * (area - others) / area));
}

/// Branches that cross the piece taken, and are lost with the others.
void note_crossing(const std::vector<MeshPiece>& pieces, std::size_t kept, const Effort& effort,
                   std::vector<std::string>& done) {
  std::size_t crossing = 0;
  double area = 0.0;
  for (std::size_t i = 0; i < std::min(pieces.size(), shares::kCrossingBranches) && !effort.cut_short();
       ++i) {
    if (i == kept || pieces[i].area_mm2 < kBranchArea * pieces[kept].area_mm2) continue;
    if (!pieces[i].box.intersects(pieces[kept].box)) continue;
    if (!cross_one_another(pieces[i].mesh, pieces[kept].mesh)) continue;
    ++crossing;
    area += pieces[i].area_mm2;
  }
  if (crossing > 0)
    done.push_back(fmt::format(
        "Left out {} the one taken, with {:.0f} % of its area: if they are one lumen, --wrap MM joins them, "
        "MM the "
        "width of the gaps to close.",
        crossing == 1 ? std::string("a piece that touches or crosses")
                      : fmt::format("{} pieces that touch or cross", crossing),
        100.0 * area / pieces[kept].area_mm2));
}

/// One piece of what is left after the cuts.
TriangleMesh piece_left(const TriangleMesh& mesh, const RepairSettings& settings) {
  std::vector<std::string> unsaid;
  const std::vector<MeshPiece> pieces = pieces_of(mesh, unsaid);
  if (pieces.empty()) return {};
  return pieces[settings.keep_at ? piece_at(pieces, *settings.keep_at, unsaid) : 0].mesh;
}

/// Other lumens of the body, by places in their boxes' middles.
void note_other_lumens(const std::vector<MeshPiece>& lumens, std::size_t kept,
                       std::vector<std::string>& done) {
  constexpr std::size_t kMostNamed = 4;
  std::string places;
  for (std::size_t i = 0, named = 0; i < lumens.size() && named < kMostNamed; ++i)
    if (i != kept) places += (named++ > 0 ? ", " : "") + place(lumens[i].box.center());
  if (!places.empty())
    done.push_back(fmt::format("The body has {} more, about {} (--keep-at X Y Z takes another).",
                               count_of(lumens.size() - 1, "lumen"), places));
}

/// How far the body's faces on a rim go on beyond its plane: a pipe's end does not.
double rise_beyond(const Rim& rim, const TriangleMesh& body) {
  const auto before = [](const Vector3d& a, const Vector3d& b) {
    return std::lexicographical_compare(a.begin(), a.end(), b.begin(), b.end());
  };
  std::vector<Vector3d> points = rim.points;
  std::sort(points.begin(), points.end(), before);
  double rise_mm = 0.0;
  for (const auto& t : body.triangles) {
    const auto at = [&](int v) -> const Vector3d& { return body.vertices[static_cast<std::size_t>(v)]; };
    if (std::none_of(t.begin(), t.end(),
                     [&](int v) { return std::binary_search(points.begin(), points.end(), at(v), before); }))
      continue;
    for (const int v : t) rise_mm = std::max(rise_mm, (at(v) - rim.centre).dot(rim.outward));
  }
  return rise_mm - rim.highest_mm;
}

/// How deep in the body's box a lumen's end lies, outwards from it.
double depth_in(const Rim& rim, const Eigen::AlignedBox3d& box) {
  double depth_mm = kInfinity;
  for (int k = 0; k < 3; ++k) {
    const double side = rim.outward(k) > 0.0 ? box.max()(k) : box.min()(k);
    if (std::abs(rim.outward(k)) > 1e-9)
      depth_mm = std::min(depth_mm, (side - rim.centre(k)) / rim.outward(k));
  }
  return depth_mm;
}

/// A mouth that opens wide to the outside is not hidden: the lumen's wall begins below it, at the rim's
/// lowest point once its end is cut flat.
void note_mouths(const TriangleMesh& lumen, const MeshPiece& body, std::vector<std::string>& done) {
  for (const Rim& rim : rims_of(lumen)) {
    const double depth_mm = depth_in(rim, body.box);
    const double radius_mm = std::sqrt(rim.area_mm2 / EIGEN_PI);  // a ragged rim is longer than that circle
    if (depth_mm > kMouthRadii * radius_mm && rise_beyond(rim, body.mesh) > kMouthRise * radius_mm)
      done.push_back(
          fmt::format("The lumen's end at {} lies {:.2f} mm deep in the body's box: the mouth there is "
                      "open to the outside, and cut off.",
                      place(rim.centre), depth_mm + rim.spread_mm - rim.highest_mm));
  }
}

/// The lumens that are open to the body's outside, and the voids in it; the largest first.
std::vector<MeshPiece> lumens_in(const std::vector<MeshPiece>& pieces, const Effort& effort) {
  std::vector<std::string> unsaid;
  std::vector<MeshPiece> lumens;
  for (const TriangleMesh& mesh : lumens_of_body(pieces.front().mesh, effort)) {
    std::vector<MeshPiece> parts = pieces_of(mesh, unsaid);
    if (!parts.empty()) lumens.push_back(std::move(parts.front()));
  }
  for (std::size_t i = 1; i < pieces.size(); ++i)
    if (pieces[i].closed && lies_within(pieces[i], pieces.front())) lumens.push_back(pieces[i]);
  std::stable_sort(lumens.begin(), lumens.end(),
                   [](const MeshPiece& a, const MeshPiece& b) { return a.area_mm2 > b.area_mm2; });
  return lumens;
}

/// The void of a hollow body, or the wall of a lumen that is open to its outside.
tl::expected<TriangleMesh, RepairRefusal> lumen_in(const std::vector<MeshPiece>& pieces,
                                                   const RepairSettings& settings,
                                                   std::vector<std::string>& done) {
  std::vector<MeshPiece> lumens = lumens_in(pieces, settings.effort);
  if (auto spent = cut_short(settings.effort, "telling the lumen from the body's outside"))
    return tl::unexpected(std::move(*spent));
  if (lumens.empty())
    return refused(
        RepairFault::no_lumen_inside,
        "no part of the body's surface is hidden inside it; a lumen that is shorter than it is wide "
        "is not told from the outside",
        "leave --body out if the mesh is the lumen's own surface, or give the lumen's own surface");
  const std::size_t best = settings.keep_at ? piece_at(lumens, *settings.keep_at, done) : 0;
  if (lumens[best].closed) {
    done.push_back("The body is hollow: took the surface of the void in it.");
  } else {
    done.push_back(fmt::format("Took the surface of the lumen in the body, {} of its {} triangles.",
                               lumens[best].mesh.triangles.size(), pieces.front().mesh.triangles.size()));
    note_mouths(lumens[best].mesh, pieces.front(), done);
  }
  note_other_lumens(lumens, best, done);
  return std::move(lumens[best].mesh);
}

/// A cut in words, with its number where there are several.
std::string cut_words(const std::vector<CutPlane>& cuts, std::size_t index) {
  return cuts.size() == 1 ? fmt::format("the cut at {}", place(cuts[index].point))
                          : fmt::format("cut {} at {}", index + 1, place(cuts[index].point));
}

RepairRefusal cut_refusal(const CutRefusal& refusal, const std::vector<CutPlane>& cuts,
                          const TriangleMesh& surface) {
  const CutPlane& cut = cuts[refusal.cut];
  const std::string which = cut_words(cuts, refusal.cut);
  const TriangleMesh closed = roughly_capped(surface);
  switch (refusal.fault) {
    case CutFault::no_line:
    case CutFault::far_off: {
      const Vector3d inside = place_inside_near(closed, cut.point);
      if ((inside - cut.point).norm() < kAtEnd_mm)
        return {
            RepairFault::cut_misses, which + " crosses no wall: its plane lies in an end of the lumen",
            "turn the direction of --cut about, which is to point out of the lumen, or move it farther in"};
      return {
          RepairFault::cut_misses,
          which + (refusal.fault == CutFault::no_line ? std::string(" crosses no wall")
                                                      : fmt::format(" lies {:.2f} mm outside the lumen",
                                                                    distance_to_surface(closed, cut.point))),
          fmt::format("give --cut a point in the lumen and the direction out of it along the lumen; the "
                      "nearest place in it is {}",
                      place(inside))};
    }
    case CutFault::across_border:
      return {RepairFault::cut_misses, which + " runs through an opening's rim",
              "move --cut farther in, square to the lumen"};
    case CutFault::still_joined:
      return {
          RepairFault::cut_joined, which + " takes nothing off: what lies beyond it hangs on elsewhere too",
          "give a --cut at each place where it does, or --crop X0 Y0 Z0 X1 Y1 Z1 to leave out all outside "
          "a box"};
    case CutFault::taken_off:
      return {
          RepairFault::cut_joined,
          fmt::format("{} opens nothing: {} takes off all that it would open", which,
                      cut_words(cuts, refusal.other)),
          "leave one of the two --cut out, or turn the direction of one about: it points out of the lumen"};
    case CutFault::crossing:
      break;
  }
  return {RepairFault::cut_misses, which + " meets faces that cross one another",
          "move --cut, or give --wrap MM to wrap the mesh first"};
}

/// The length of a lumen's radius: of a tube, twice its volume over its wall.
double radius_of(const TriangleMesh& closed) {
  return 2.0 * enclosed_volume(closed) / std::max(area_of(closed), 1e-12);
}

/// A closed surface opened where `rims` were, a little farther in than their lowest points.
tl::expected<OpenedSurface, CutRefusal> reopened(const TriangleMesh& closed, const std::vector<Rim>& rims,
                                                 double inset_mm) {
  std::vector<CutPlane> cuts;
  for (const Rim& rim : rims) {
    const double lowest = rim.highest_mm - rim.spread_mm;
    cuts.push_back({rim.centre + (lowest - inset_mm) * rim.outward, rim.outward});
  }
  return cut_open(closed, cuts);
}

/// A wrap by far too fine would take all memory that there is.
std::optional<RepairRefusal> wrap_too_fine(double area_mm2, double wrap_mm) {
  const double faces = kWrapFaces * area_mm2 / (wrap_mm * wrap_mm);
  if (faces <= shares::kMostWrapFaces) return std::nullopt;
  return RepairRefusal{
      RepairFault::wrap_failed,
      fmt::format("a wrap that closes gaps of {:g} mm would have about {:.1f} million faces here", wrap_mm,
                  1e-6 * faces),
      fmt::format("give --wrap {:.2g} or more, or a part of the mesh by --crop X0 Y0 Z0 X1 Y1 Z1",
                  1.05 * std::sqrt(kWrapFaces * area_mm2 / shares::kMostWrapFaces))};
}

/// A wrap finer than this share of the surface's size is about something flat, which has no lumen.
constexpr double kFinestWrap = 1e-3;

/// What a surface is wrapped by where nobody said so: a share of the lumen's radius; refused where there is
/// no lumen to speak of.
tl::expected<double, RepairRefusal> own_wrap(const TriangleMesh& capped) {
  Eigen::AlignedBox3d box;
  for (const Vector3d& v : capped.vertices) box.extend(v);
  const double alpha_mm = kWrapShare * radius_of(capped);
  if (alpha_mm < kFinestWrap * box.diagonal().norm())
    return refused(
        RepairFault::flat,
        fmt::format("the piece taken, {} from {} to {}, crosses itself and encloses next to nothing",
                    count_of(capped.triangles.size(), "triangle"), place(box.min()), place(box.max())),
        "take another piece by --keep-at X Y Z, or wrap all by --wrap MM, the width of the gaps to close");
  return alpha_mm;
}

/// Wraps a surface and opens it again where it was open.
tl::expected<TriangleMesh, RepairRefusal> wrap_again(const TriangleMesh& surface,
                                                     const std::vector<Rim>& rims, double alpha_mm,
                                                     const Effort& effort, Repaired& out) {
  const TriangleMesh capped = roughly_capped(surface);
  if (alpha_mm <= 0.0) {
    const auto own = own_wrap(capped);
    if (!own) return tl::unexpected(own.error());
    alpha_mm = *own;
  }
  if (auto refusal = wrap_too_fine(area_of(capped), alpha_mm)) return tl::unexpected(std::move(*refusal));
  const double offset = kOffsetShare * alpha_mm;
  const auto wrap = wrapped(capped, alpha_mm, offset, effort);
  if (auto spent = cut_short(effort, kWrapping)) return tl::unexpected(std::move(*spent));
  auto open = reopened(*wrap, rims, 2.0 * offset);
  if (!open || open->mesh.triangles.empty())
    return refused(
        RepairFault::wrap_failed,
        "the mesh crosses itself, and a wrap about it does not open where it was open",
        "give another --wrap MM (finer, or wider than the gaps to close), and --cut at the openings");
  out.wrapped = true;
  out.done.push_back(
      fmt::format("Wrapped the surface, {:.3g} mm off it; gaps narrower than {:.3g} mm are closed (--wrap MM "
                  "changes that).",
                  offset, alpha_mm));
  return piece_left(open->mesh, {});
}

/// Has a mended surface the openings that there were? Those that touch themselves are holes that met in a
/// point, and may be gone.
bool keeps_openings(const TriangleMesh& mended, const std::vector<Rim>& rims,
                    std::vector<std::string>& done) {
  const std::size_t kept = rims_of(mended).size();
  const auto met = std::count_if(rims.begin(), rims.end(), [](const Rim& rim) { return rim.touches_itself; });
  if (kept > rims.size() || kept + static_cast<std::size_t>(met) < rims.size()) return false;
  if (kept < rims.size())
    done.push_back(fmt::format("Closed holes that met in a point: {}.", rims.size() - kept));
  return true;
}

/// Holes closed, crossings gone.
tl::expected<TriangleMesh, RepairRefusal> mended(TriangleMesh surface, const RepairSettings& settings,
                                                 Repaired& out) {
  turn_right_side_out(surface);
  FilledHoles filled = fill_holes(surface, settings.close_below_mm, settings.cuts, settings.effort);
  out.closed_holes = filled.filled;
  out.closed_radius_mm = filled.largest_radius_mm;
  if (filled.filled > 0)
    out.done.push_back(
        fmt::format("Closed {} with a radius of up to {:.3g} mm (--close-below MM sets which).",
                    count_of(filled.filled, "hole"), filled.largest_radius_mm));
  for (const Rim& rim : filled.kept)
    out.done.push_back(
        fmt::format("The opening that --cut makes at {} stays, though its radius of {:.3g} mm is "
                    "below --close-below {:g}.",
                    place(rim.centre), rim.radius_mm, settings.close_below_mm));
  surface = std::move(filled.mesh);
  if (auto spent = cut_short(settings.effort, "closing small holes"))
    return tl::unexpected(std::move(*spent));
  if (!crosses_itself(surface)) return surface;
  if (auto spent = cut_short(settings.effort, "mending faces that cross one another"))
    return tl::unexpected(std::move(*spent));
  const std::vector<Rim> rims = rims_of(surface);
  if (crossing_pairs(surface) < kMostCrossings)
    if (auto clean = without_crossings(surface, settings.effort);
        clean && keeps_openings(*clean, rims, out.done)) {
      out.done.push_back("Mended faces that crossed one another, in place.");
      return std::move(*clean);
    }
  if (auto spent = cut_short(settings.effort, "mending faces that cross one another"))
    return tl::unexpected(std::move(*spent));
  return wrap_again(surface, rims, settings.wrap_mm, settings.effort, out);
}

void append(TriangleMesh& all, const TriangleMesh& more) {
  const int base = static_cast<int>(all.vertices.size());
  all.vertices.insert(all.vertices.end(), more.vertices.begin(), more.vertices.end());
  for (const auto& t : more.triangles) all.triangles.push_back({t[0] + base, t[1] + base, t[2] + base});
}

TriangleMesh joined(const std::vector<MeshPiece>& pieces) {
  TriangleMesh all;
  for (const MeshPiece& piece : pieces) append(all, roughly_capped(piece.mesh));
  return all;
}

/// Holes of what is wrapped that the wrap is to keep open; the others are noted as closed.
std::vector<Rim> ends_of(const std::vector<MeshPiece>& pieces, const RepairSettings& settings,
                         Repaired& out) {
  std::vector<Rim> ends;
  for (const MeshPiece& piece : pieces)
    for (Rim& rim : rims_of(piece.mesh)) {
      const bool kept = rim.radius_mm >= settings.close_below_mm && 2.0 * rim.radius_mm > settings.wrap_mm;
      (kept ? ends : out.closed_by_wrap).push_back(std::move(rim));
    }
  out.loops_given = ends.size() + out.closed_by_wrap.size();
  return ends;
}

/// What of the openings a wrap closed.
void note_closed(Repaired& out) {
  if (out.closed_by_wrap.empty()) return;
  std::stable_sort(out.closed_by_wrap.begin(), out.closed_by_wrap.end(),
                   [](const Rim& a, const Rim& b) { return a.radius_mm > b.radius_mm; });
  const Rim& longest = out.closed_by_wrap.front();
  out.done.push_back(fmt::format(
      "The mesh was open: it had {}, and the wrap closed {}, the longest with a radius of {:.3g} mm about {} "
      "(--cut X Y Z NX NY NZ opens an end).",
      count_of(out.loops_given, "boundary loop"),
      out.closed_by_wrap.size() == out.loops_given ? (out.loops_given == 1 ? "it" : "all of them")
                                                   : fmt::format("{} of them", out.closed_by_wrap.size()),
      longest.radius_mm, place(longest.centre)));
}

double area_in_all(const std::vector<MeshPiece>& pieces) {
  double area_mm2 = 0.0;
  for (const MeshPiece& piece : pieces) area_mm2 += piece.area_mm2;
  return area_mm2;
}

/// Where the largest of very many pieces is open and has less than this share of their area, there is no
/// wall.
constexpr std::size_t kManyPieces = 100;
constexpr double kWallShare = 0.02;

std::optional<RepairRefusal> only_scraps(const std::vector<MeshPiece>& pieces) {
  const double share = pieces.front().area_mm2 / area_in_all(pieces);
  if (pieces.size() < kManyPieces || pieces.front().closed || share >= kWallShare) return std::nullopt;
  return RepairRefusal{
      RepairFault::loose,
      fmt::format("the mesh is {} loose pieces, and the largest, of {}, has {:.2g} % of the area: none is a "
                  "lumen's wall",
                  pieces.size(), count_of(pieces.front().mesh.triangles.size(), "triangle"), 100.0 * share),
      "wrap them all by --wrap MM, the width of the gaps to close, or take one of them by --keep-at X Y Z"};
}

/// A wrap of all pieces.
tl::expected<TriangleMesh, RepairRefusal> wrap_of(const std::vector<MeshPiece>& pieces,
                                                  const RepairSettings& settings, Repaired& out) {
  if (auto refusal = wrap_too_fine(area_in_all(pieces), settings.wrap_mm))
    return tl::unexpected(std::move(*refusal));
  const double offset = kOffsetShare * settings.wrap_mm;
  note_others(pieces, pieces.size(), out);
  out.done.push_back(fmt::format("Wrapped all of it, {:.3g} mm off; gaps narrower than {:.3g} mm are closed.",
                                 offset, settings.wrap_mm));
  out.wrapped = true;
  const auto wrap = wrapped(joined(pieces), settings.wrap_mm, offset, settings.effort);
  if (auto spent = cut_short(settings.effort, kWrapping)) return tl::unexpected(std::move(*spent));
  return piece_left(*wrap, settings);
}

/// The piece to go on with, before any cut; and the ends that a wrap of all of them is to keep.
tl::expected<TriangleMesh, RepairRefusal> chosen_piece(const TriangleMesh& mesh,
                                                       const RepairSettings& settings, Repaired& out,
                                                       std::vector<Rim>& ends) {
  std::vector<MeshPiece> pieces = joined_pieces_of(mesh, out.done, out.joined_mm, settings.effort);
  if (auto spent = cut_short(settings.effort, "telling pieces apart"))
    return tl::unexpected(std::move(*spent));
  if (pieces.empty() || !(pieces.front().area_mm2 > 0.0))
    return refused(RepairFault::empty, "the mesh has no triangle with an area",
                   "give --scale or --unit if it is that small");
  if (settings.wrap_mm > 0.0) {
    ends = ends_of(pieces, settings, out);
    return wrap_of(pieces, settings, out);
  }
  if (!settings.keep_at)
    if (auto refusal = only_scraps(pieces)) return tl::unexpected(std::move(*refusal));
  if (settings.body) {
    note_others(pieces, pieces.size(), out);
    return lumen_in(pieces, settings, out.done);
  }
  const std::size_t kept = settings.keep_at ? piece_at(pieces, *settings.keep_at, out.done)
                                            : main_piece(pieces, settings.effort, out.done);
  note_others(pieces, kept, out);
  note_crossing(pieces, kept, settings.effort, out.done);
  return std::move(pieces[kept].mesh);
}

/// What of all pieces lies in a box.
tl::expected<TriangleMesh, RepairRefusal> part_in(const TriangleMesh& mesh, const Eigen::AlignedBox3d& box,
                                                  const Effort& effort, double& joined_mm) {
  std::vector<std::string> said_later;
  TriangleMesh all;
  for (const MeshPiece& piece : joined_pieces_of(mesh, said_later, joined_mm, effort)) {
    if (!box.intersects(piece.box)) continue;
    if (auto spent = cut_short(effort, "leaving out what lies outside the box"))
      return tl::unexpected(std::move(*spent));
    const auto part = cropped(piece.mesh, box);
    if (!part)
      return refused(RepairFault::cut_misses, "a face of the --crop box meets faces that cross one another",
                     "move --crop, or mend the mesh first");
    append(all, *part);
  }
  if (all.triangles.empty()) {
    Eigen::AlignedBox3d whole;
    for (const Vector3d& v : mesh.vertices) whole.extend(v);
    return refused(
        RepairFault::nothing_left, "no part of the mesh's surface lies in the --crop box",
        fmt::format("give it two opposite corners, X0 Y0 Z0 X1 Y1 Z1, round a part of the mesh, which "
                    "reaches from {} to {}",
                    place(whole.min()), place(whole.max())));
  }
  return all;
}

/// A wrap goes round the outside: what lies within it is none of the wall.
void note_swallowed(double farthest_mm, Repaired& out) {
  if (farthest_mm <= out.moved_mm + kDeviationStep_mm) return;
  out.swallowed_mm = farthest_mm;
  out.done.push_back(fmt::format(
      "The wrap goes round the outside: faces that it has swallowed or left out lie up to {:.2f} mm from "
      "it. If one of them is the lumen's wall, an inner skin, take it by --keep-at X Y Z without "
      "--wrap.",
      farthest_mm));
}

void finish(Repaired& out) {
  out.openings = rims_of(out.wall);
  out.handles = handles_of(out.wall, out.openings.size());
  out.round_edge.clear();
  out.partly_on_box.clear();
  for (const Rim& rim : out.openings) {
    const RimOnBox on_box = rim_on_box(rim, out.box_faces);
    if (on_box == RimOnBox::edge) out.round_edge.push_back(rim);
    if (on_box == RimOnBox::partly) out.partly_on_box.push_back(rim);
  }
}

/// Does a rim hold a point of a surface that was cut?
bool holds(const Rim& rim, const Vector3d& p) {
  constexpr double kSame_mm = 1e-9;
  return std::any_of(rim.points.begin(), rim.points.end(),
                     [&](const Vector3d& q) { return (p - q).norm() <= kSame_mm; });
}

/// Every cut has an opening of its own in what is taken; these are added to `made`.
std::optional<RepairRefusal> without_opening(const TriangleMesh& surface, const std::vector<CutPlane>& cuts,
                                             const std::vector<Vector3d>& on_line, std::vector<Rim>& made) {
  const std::vector<Rim> rims = rims_of(surface);
  for (std::size_t i = 0; i < cuts.size(); ++i) {
    const auto rim =
        std::find_if(rims.begin(), rims.end(), [&](const Rim& r) { return holds(r, on_line[i]); });
    if (rim == rims.end())
      return RepairRefusal{
          RepairFault::cut_joined, cut_words(cuts, i) + " leaves no opening in what is taken",
          "leave that --cut out if another takes off what it opens, or turn its direction about, or take the "
          "piece that it opens by --keep-at X Y Z"};
    made.push_back(*rim);
  }
  return std::nullopt;
}

/// Mending must not lose the opening of a cut.
std::optional<RepairRefusal> lost_opening(const TriangleMesh& wall, const std::vector<CutPlane>& cuts,
                                          const std::vector<Rim>& made) {
  std::vector<Rim> rims = rims_of(wall);
  for (std::size_t i = 0; i < made.size(); ++i) {
    const auto same = std::find_if(rims.begin(), rims.end(), [&](const Rim& rim) {
      return (rim.centre - made[i].centre).norm() <= made[i].radius_mm;
    });
    if (same == rims.end())
      return RepairRefusal{
          RepairFault::cut_joined,
          cut_words(cuts, i) + " meets faces that cross one another, and mending them closes its opening",
          "move that --cut away from them, or give --wrap MM to wrap the mesh first"};
    rims.erase(same);
  }
  return std::nullopt;
}

/// A cut that takes away the point that the piece to take is named by.
std::optional<RepairRefusal> without_point(const TriangleMesh& before, const TriangleMesh& after,
                                           const RepairSettings& settings) {
  if (!settings.keep_at || share_inside(before, {*settings.keep_at}) <= 0.0 ||
      share_inside(after, {*settings.keep_at}) > 0.0)
    return std::nullopt;
  std::optional<std::size_t> nearest;
  const auto height = [&](std::size_t i) {
    return (*settings.keep_at - settings.cuts[i].point).dot(settings.cuts[i].normal.normalized());
  };
  for (std::size_t i = 0; i < settings.cuts.size(); ++i)
    if (height(i) >= 0.0 && (!nearest || height(i) < height(*nearest))) nearest = i;
  return RepairRefusal{RepairFault::cut_joined,
                       (nearest ? cut_words(settings.cuts, *nearest) : std::string("a cut")) +
                           " takes off the part that holds the point of --keep-at",
                       "turn the direction of that --cut about, which points to what is taken away, or give "
                       "--keep-at a point in the part that is to stay"};
}

/// The surface opened by the cuts. Their openings are added to `made`.
tl::expected<TriangleMesh, RepairRefusal> cut_as_asked(const TriangleMesh& surface,
                                                       const RepairSettings& settings,
                                                       std::vector<Rim>& made) {
  auto cut = cut_open(surface, settings.cuts);
  if (!cut) return tl::unexpected(cut_refusal(cut.error(), settings.cuts, surface));
  TriangleMesh left = piece_left(cut->mesh, settings);
  if (left.triangles.empty())
    return refused(RepairFault::cut_joined, "the cuts leave nothing", "turn the directions of --cut about");
  if (auto refusal = without_point(surface, left, settings)) return tl::unexpected(std::move(*refusal));
  if (auto refusal = without_opening(left, settings.cuts, cut->on_line, made))
    return tl::unexpected(std::move(*refusal));
  return left;
}

/// Cuts, and the ends of a wrap.
tl::expected<TriangleMesh, RepairRefusal> opened(TriangleMesh surface, const std::vector<Rim>& ends,
                                                 const RepairSettings& settings, std::vector<Rim>& made,
                                                 Repaired& out) {
  if (!settings.cuts.empty()) {
    auto cut = cut_as_asked(surface, settings, made);
    if (!cut) return tl::unexpected(cut.error());
    surface = std::move(*cut);
  }
  if (!ends.empty()) {
    const std::size_t before = out.closed_by_wrap.size();
    surface = open_wrap(std::move(surface), ends, kWrapEndOffsets * kOffsetShare * settings.wrap_mm,
                        out.closed_by_wrap);
    const std::size_t count = ends.size() - (out.closed_by_wrap.size() - before);
    out.done.push_back(fmt::format("Opened the wrap at {} where the mesh was open.", count_of(count, "end")));
  }
  note_closed(out);
  return surface;
}

/// How far wall and what was given lie apart.
void measure_deviation(const TriangleMesh& mesh, const TriangleMesh& whole, const TriangleMesh& given,
                       const TriangleMesh& wall, const RepairSettings& settings, Repaired& out) {
  const Effort& effort = settings.effort;
  out.moved_mm = std::max(farthest_from(wall, whole, effort), farthest_from(given, wall, effort));
  if (settings.wrap_mm > 0.0) {
    out.moved_mm = std::max(out.moved_mm, farthest_from(wall, mesh, effort));
    note_swallowed(farthest_from(mesh, whole, effort), out);
  }
  out.moved_mm += out.joined_mm;
}

void smooth_wall(TriangleMesh& wall, const RepairSettings& settings, Repaired& out) {
  SmoothedWall smooth = smoothed(wall, settings.smooth_mm, settings.effort);
  out.done.push_back(
      smooth.done && smooth.moved_mm > 0.0
          ? fmt::format("Smoothed the wall: it moved by at most {:.3f} mm.", smooth.moved_mm)
          : std::string("Left the wall as it was: smoothing it fails, or would make it cross itself."));
  out.smoothed_mm = smooth.moved_mm;
  wall = std::move(smooth.mesh);
}

}  // namespace

tl::expected<Repaired, RepairRefusal> repair_lumen(const TriangleMesh& mesh, const RepairSettings& settings) {
  if (settings.crop) {
    RepairSettings rest = settings;
    rest.crop.reset();
    const std::vector<CutPlane> faces = faces_of(*settings.crop);
    rest.box_faces.insert(rest.box_faces.end(), faces.begin(), faces.end());
    double joined_mm = 0.0;
    const auto part = part_in(mesh, *settings.crop, settings.effort, joined_mm);
    if (!part) return tl::unexpected(part.error());
    auto repaired = repair_lumen(*part, rest);
    if (repaired) repaired->moved_mm += joined_mm;
    if (repaired) repaired->joined_mm += joined_mm;
    return repaired;
  }
  Repaired out;
  out.box_faces = settings.box_faces;
  std::vector<Rim> ends;
  auto surface = chosen_piece(mesh, settings, out, ends);
  if (!surface) return tl::unexpected(surface.error());
  if (auto spent = cut_short(settings.effort, "choosing the piece")) return tl::unexpected(std::move(*spent));
  const TriangleMesh whole = *surface;
  std::vector<Rim> made;
  surface = opened(std::move(*surface), ends, settings, made, out);
  if (!surface) return tl::unexpected(surface.error());
  if (auto spent = cut_short(settings.effort, "cutting it open")) return tl::unexpected(std::move(*spent));
  const TriangleMesh given = *surface;
  auto wall = mended(std::move(*surface), settings, out);
  if (!wall) return tl::unexpected(wall.error());
  if (auto refusal = lost_opening(*wall, settings.cuts, made)) return tl::unexpected(std::move(*refusal));
  measure_deviation(mesh, whole, given, *wall, settings, out);
  if (auto spent = cut_short(settings.effort, "measuring how far the wall was moved"))
    return tl::unexpected(std::move(*spent));
  if (settings.smooth_mm > 0.0) smooth_wall(*wall, settings, out);
  if (auto spent = cut_short(settings.effort, "smoothing the wall")) return tl::unexpected(std::move(*spent));
  out.wall = std::move(*wall);
  finish(out);
  return out;
}

Repaired flatten_ends(Repaired repaired, double most_spread_mm, const Effort& effort) {
  repaired.trimmed = trim_ends(repaired.wall, most_spread_mm, repaired.box_faces, effort);
  if (!repaired.trimmed.empty()) finish(repaired);
  return repaired;
}

}  // namespace withy
