// SPDX-License-Identifier: GPL-3.0-or-later
// Mending is held against the clean surface that an ugly one was made of, with distances of the tests' own
// plain implementation; cuts, handles and smoothing against closed forms.
#include "geometry/repair/repair.h"

#include <cmath>
#include <cstdint>
#include <cstdlib>
#include <numbers>
#include <random>
#include <string>

#include <catch2/catch.hpp>

#include "geometry/mesh/mesh_checks.h"
#include "geometry/phantom/tube_sweep.h"
#include "geometry/repair/body_lumen.h"
#include "geometry/repair/crossings.h"
#include "geometry/repair/cut.h"
#include "geometry/repair/deviation.h"
#include "geometry/repair/pieces.h"
#include "geometry/repair/smooth.h"
#include "tests/geometry/mesh/mesh_shapes.h"
#include "tests/support/plain_distance.h"
#include "tests/support/stopped_effort.h"
#include "tests/support/ugly_meshes.h"

namespace {

using Eigen::Vector3d;
using namespace withy;

/// The same without vertices that no triangle uses.
TriangleMesh compact(const TriangleMesh& mesh) {
  TriangleMesh out;
  std::vector<int> number(mesh.vertices.size(), -1);
  for (std::array<int, 3> t : mesh.triangles) {
    for (int& v : t) {
      int& own = number[static_cast<std::size_t>(v)];
      if (own < 0) {
        own = static_cast<int>(out.vertices.size());
        out.vertices.push_back(mesh.vertices[static_cast<std::size_t>(v)]);
      }
      v = own;
    }
    out.triangles.push_back(t);
  }
  return out;
}

/// A swept tube without its flat ends.
TriangleMesh without_ends(const TriangleMesh& closed, const TubePath& path) {
  TriangleMesh open = closed;
  const Eigen::Isometry3d X_end = path.pose(path.length_mm()).inverse();
  std::erase_if(open.triangles, [&](const std::array<int, 3>& t) {
    const auto flat = [&](const Eigen::Isometry3d& X) {
      return std::all_of(t.begin(), t.end(), [&](int v) {
        return std::abs((X * closed.vertices[static_cast<std::size_t>(v)]).z()) < 1e-9;
      });
    };
    return flat(Eigen::Isometry3d::Identity()) || flat(X_end);
  });
  return compact(open);
}

/// An arc of a tube with flat ends, both open.
TriangleMesh open_tube(double radius_mm, double length_mm, double bend_rad, double edge_mm) {
  const TubePath path = TubePath::from_bends(Eigen::Isometry3d::Identity(),
                                             {{length_mm, Eigen::Vector2d(bend_rad / length_mm, 0.0)}});
  const TubeTree::Tube tube{path, RadiusProfile{{{0.0, radius_mm}}}, true, true};
  return without_ends(sweep_tube(tube, edge_mm, 0), path);
}

withy_plain::Triangles plain(const TriangleMesh& mesh) {
  std::vector<std::array<Vector3d, 3>> corners;
  for (const auto& t : mesh.triangles)
    corners.push_back({mesh.vertices[static_cast<std::size_t>(t[0])],
                       mesh.vertices[static_cast<std::size_t>(t[1])],
                       mesh.vertices[static_cast<std::size_t>(t[2])]});
  return withy_plain::Triangles(corners);
}

/// The farthest that corners and middles of `from` lie from `to`.
double farthest_sampled(const TriangleMesh& from, const withy_plain::Triangles& to) {
  double farthest = 0.0;
  for (const auto& t : from.triangles) {
    const auto p = [&](std::size_t k) { return from.vertices[static_cast<std::size_t>(t[k])]; };
    for (const Vector3d& q : {p(0), p(1), p(2), Vector3d((p(0) + p(1) + p(2)) / 3.0)})
      farthest = std::max(farthest, to.distance(q));
  }
  return farthest;
}

TriangleMesh joined(TriangleMesh a, const TriangleMesh& b) {
  const int base = static_cast<int>(a.vertices.size());
  a.vertices.insert(a.vertices.end(), b.vertices.begin(), b.vertices.end());
  for (const auto& t : b.triangles) a.triangles.push_back({t[0] + base, t[1] + base, t[2] + base});
  return a;
}

TriangleMesh turned_over(TriangleMesh mesh) {
  for (auto& t : mesh.triangles) std::swap(t[0], t[1]);
  return mesh;
}

/// A tube of radius 3, closed at both ends: two arms of 20 mm and half a circle between them.
TriangleMesh closed_u() {
  const TubePath path =
      TubePath::from_bends(Eigen::Isometry3d::Identity(), {{20.0, Eigen::Vector2d::Zero()},
                                                           {31.4159265, Eigen::Vector2d(0.1, 0.0)},
                                                           {20.0, Eigen::Vector2d::Zero()}});
  return sweep_tube({path, RadiusProfile{{{0.0, 3.0}}}, true, true}, 1.5, 0);
}

/// A block 24 x 24 x 40 round a straight tube of radius 5 along z, open at both faces.
TriangleMesh drilled_block(const TriangleMesh& tube) {
  const TriangleMesh block = shapes::block(12.0, 0.0, 40.0, false, false);
  // Faces z = 0 and z = 40 as rings between the square and the tube's rim.
  TriangleMesh body = joined(turned_over(tube), block);
  for (const double z : {0.0, 40.0}) {
    std::vector<std::pair<double, int>> rim;
    std::vector<int> square;
    for (std::size_t v = 0; v < body.vertices.size(); ++v) {
      const Vector3d& p = body.vertices[v];
      if (std::abs(p.z() - z) > 1e-9) continue;
      if (p.head<2>().norm() < 5.0 + 1e-6)
        rim.emplace_back(std::atan2(p.y(), p.x()), static_cast<int>(v));
      else if (p.head<2>().norm() > 10.0)
        square.push_back(static_cast<int>(v));
    }
    std::sort(rim.begin(), rim.end());
    std::sort(square.begin(), square.end(), [&](int a, int b) {
      const auto angle = [&](int v) {
        const Vector3d& p = body.vertices[static_cast<std::size_t>(v)];
        return std::atan2(p.y(), p.x());
      };
      return angle(a) < angle(b);
    });
    REQUIRE(square.size() == 4);
    const auto nearest = [&](double angle) {
      int best = square[0];
      double most = -2.0;
      for (const int v : square) {
        const Vector3d& p = body.vertices[static_cast<std::size_t>(v)];
        const double c = std::cos(angle - std::atan2(p.y(), p.x()));
        if (c > most) most = c, best = v;
      }
      return best;
    };
    for (std::size_t i = 0; i < rim.size(); ++i) {
      const auto& [a, va] = rim[i];
      const auto& [b, vb] = rim[(i + 1) % rim.size()];
      const int na = nearest(a);
      const int nb = nearest(b);
      body.triangles.push_back({va, na, vb});
      if (na != nb) body.triangles.push_back({vb, na, nb});
    }
  }
  return body;
}

/// A closed tube of radius 4 along z, its vertices on rings at the decimals 0.1, 0.4, ... 30.1 of a file.
TriangleMesh ringed_tube() {
  constexpr int kAround = 12;
  constexpr int kRings = 101;
  TriangleMesh mesh;
  for (int k = 0; k < kRings; ++k)
    for (int j = 0; j < kAround; ++j) {
      const double angle = 2.0 * std::numbers::pi * j / kAround;
      mesh.vertices.emplace_back(4.0 * std::cos(angle), 4.0 * std::sin(angle), (3 * k + 1) / 10.0);
    }
  for (int k = 0; k + 1 < kRings; ++k)
    for (int j = 0; j < kAround; ++j) {
      const int a = k * kAround + j;
      const int b = k * kAround + (j + 1) % kAround;
      mesh.triangles.push_back({a, b, b + kAround});
      mesh.triangles.push_back({a, b + kAround, a + kAround});
    }
  const int last = kAround * (kRings - 1);
  for (int j = 1; j + 1 < kAround; ++j) {
    mesh.triangles.push_back({0, j + 1, j});
    mesh.triangles.push_back({last, last + j, last + j + 1});
  }
  return mesh;
}

bool says(const std::vector<std::string>& done, const char* words) {
  return std::any_of(done.begin(), done.end(),
                     [&](const std::string& line) { return line.find(words) != std::string::npos; });
}

}  // namespace

TEST_CASE("ugly meshes become sound channels that lie where the clean ones did") {
  const double radius = 5.0;
  const double edge = 1.6;
  const TriangleMesh clean = open_tube(radius, 60.0, 1.0, edge);
  const withy_plain::Triangles clean_plain = plain(clean);
  const char* more = std::getenv("WITHY_UGLY_SEEDS");
  const int seed = GENERATE_COPY(range(7, 8 + (more ? std::stoi(more) : 0)));
  INFO("seed " << seed);
  int sound = 0;
  for (const auto& ugly : withy_test::ugly_meshes(clean, radius, edge, static_cast<std::uint32_t>(seed))) {
    CAPTURE(ugly.kind);
    RepairSettings settings;
    settings.close_below_mm = 3.0;
    const auto repaired = repair_lumen(ugly.mesh, settings);
    if (!repaired) {
      WARN("seed " << seed << ", " << ugly.kind << " refused: " << repaired.error().problem << ", "
                   << repaired.error().remedy);
      CHECK(repaired.error().remedy.find("--") != std::string::npos);
      continue;
    }
    const auto checked = make_sound(repaired->wall, [](const Vector3d&) { return std::string(); });
    const double off = farthest_sampled(repaired->wall, clean_plain);
    WARN("seed " << seed << ", " << ugly.kind << ": " << repaired->openings.size() << " openings, printed "
                 << repaired->moved_mm << " mm, off the clean surface by " << off << " mm, "
                 << (checked ? "sound" : checked.error().problem) << (repaired->wrapped ? ", wrapped" : ""));
    CHECK(checked);
    CHECK(off <= repaired->moved_mm + 5e-4);
    CHECK(farthest_sampled(clean, plain(repaired->wall)) <= repaired->moved_mm + edge);
    sound += checked && repaired->openings.size() == 2 && off <= repaired->moved_mm + 5e-4;
  }
  CHECK(sound >= 8);
}

TEST_CASE("what only a wrap mends gets no wider than is printed") {
  // A tube of radius 3 that crosses itself: 45 mm straight, a bend of 300 degrees to a radius of 12, 45 mm
  // straight. Its arms cross at 60 degrees, 12 tan(150 degrees) from the bend.
  const double radius = 3.0;
  const double bend_rad = 300.0 * std::numbers::pi / 180.0;
  const TubePath path = TubePath::from_bends(Eigen::Isometry3d::Identity(),
                                             {{45.0, Eigen::Vector2d::Zero()},
                                              {12.0 * bend_rad, Eigen::Vector2d(1.0 / 12.0, 0.0)},
                                              {45.0, Eigen::Vector2d::Zero()}});
  const TriangleMesh given =
      without_ends(sweep_tube({path, RadiusProfile{{{0.0, radius}}}, true, true}, 1.2, 0), path);
  const auto repaired = repair_lumen(given, {});
  REQUIRE(repaired);
  REQUIRE(repaired->wrapped);
  CHECK(repaired->openings.size() == 2);
  CHECK(repaired->handles == 1);  // the crossing closes the loop
  const auto sound = make_sound(repaired->wall, [](const Vector3d&) { return std::string(); });
  CHECK(sound);
  std::vector<Vector3d> middle;
  for (double s = 0.0; s <= path.length_mm(); s += 0.05) middle.push_back(path.pose(s).translation());
  double widest = 0.0;
  for (const Vector3d& p : repaired->wall.vertices) {
    double least = 1e9;
    for (const Vector3d& m : middle) least = std::min(least, (p - m).norm());
    widest = std::max(widest, least - radius);
  }
  const double there = farthest_sampled(repaired->wall, plain(given));
  const double back = farthest_sampled(given, plain(repaired->wall));
  WARN("wrapped: printed " << repaired->moved_mm << " mm, wall off by " << there << " mm, given off by "
                           << back << " mm, wider by " << widest << " mm");
  CHECK(widest <= repaired->moved_mm + 1e-3);  // stations 0.05 mm apart: 0.025^2 / (2 * 3) mm at most
  CHECK(there <= repaired->moved_mm + 1e-9);
  CHECK(back <= repaired->moved_mm + 1e-9);
  // And no more is printed than is true: samples are no farther apart than 0.4 mm or so.
  CHECK(repaired->moved_mm <= 1.02 * std::max(there, back) + 0.4);
  // Where one arm's wall crosses the other's middle line it was 3 mm inside it, and is gone.
  CHECK(repaired->moved_mm >= radius - 0.1);
}

TEST_CASE("a wall that is not mended within its effort is none") {
  const TriangleMesh closed = closed_u();
  RepairSettings settings;
  settings.cuts = {{Vector3d(0.0, 0.0, 5.0), Vector3d(0.0, 0.0, -2.0)}};
  settings.smooth_mm = 0.1;
  const auto whole = repair_lumen(closed, settings);
  REQUIRE(whole);
  bool ended = false;
  for (int questions = 0; questions < 1 << 24 && !ended; questions = 2 * questions + 1) {
    settings.effort = withy_test::stopped_after(questions);
    const auto cut = repair_lumen(closed, settings);
    CAPTURE(questions);
    ended = cut.has_value();
    if (!ended) CHECK(cut.error().fault == RepairFault::cut_short);
    if (!ended) CHECK_FALSE(cut.error().problem.empty());
    if (ended) CHECK(cut->wall.vertices == whole->wall.vertices);
  }
  CHECK(ended);
}

TEST_CASE("a cut opens a bent tube at one place only") {
  const TriangleMesh closed = closed_u();  // the plane z = 5 crosses both arms
  RepairSettings settings;
  settings.cuts = {{Vector3d(0.0, 0.0, 5.0), Vector3d(0.0, 0.0, -2.0)}};
  const auto cut = repair_lumen(closed, settings);
  REQUIRE(cut);
  REQUIRE(cut->openings.size() == 1);
  CHECK(cut->openings[0].centre.isApprox(Vector3d(0.0, 0.0, 5.0), 0.02));
  CHECK(cut->openings[0].radius_mm == Approx(3.0).epsilon(0.05));
  CHECK(cut->openings[0].outward.isApprox(Vector3d(0.0, 0.0, -1.0), 1e-6));
  CHECK(cut->openings[0].spread_mm < 1e-9);
  // 15 mm of the first arm, the bend and the whole second arm are left.
  const auto solid = make_sound(cut->wall, [](const Vector3d&) { return std::string(); });
  REQUIRE(solid);
  CHECK(enclosed_volume(solid->mesh) ==
        Approx(std::numbers::pi * 9.0 * (15.0 + 31.4159265 + 20.0)).epsilon(0.06));
  settings.cuts = {{Vector3d(100.0, 0.0, 500.0), Vector3d::UnitZ()}};
  const auto missed = repair_lumen(closed, settings);
  REQUIRE_FALSE(missed);
  CHECK(missed.error().fault == RepairFault::cut_misses);
  // A rim without an area has no normal.
  const auto planeless = cut_open(closed, {{Vector3d(0.0, 0.0, 5.0), Vector3d::Zero()}});
  REQUIRE_FALSE(planeless);
  CHECK(planeless.error().fault == CutFault::no_line);
}

TEST_CASE("a narrow end that a cut opens stays open, and a narrow hole does not") {
  // A cone: radius 6 at z = 0, 1 at z = 60, closed there. At z = 55 it is 17/12 wide.
  const TubePath path =
      TubePath::from_bends(Eigen::Isometry3d::Identity(), {{60.0, Eigen::Vector2d::Zero()}});
  TriangleMesh cone = sweep_tube({path, RadiusProfile{{{0.0, 6.0}, {60.0, 1.0}}}, true, true}, 1.0, 0);
  cone.triangles.erase(cone.triangles.begin() + static_cast<std::ptrdiff_t>(cone.triangles.size() / 2));
  RepairSettings settings;
  settings.cuts = {{Vector3d(0.0, 0.0, 55.0), Vector3d::UnitZ()}};
  const auto open = repair_lumen(cone, settings);
  REQUIRE(open);
  REQUIRE(open->openings.size() == 1);
  CHECK(open->openings[0].centre.isApprox(Vector3d(0.0, 0.0, 55.0), 0.01));
  CHECK(open->openings[0].radius_mm == Approx(17.0 / 12.0).epsilon(0.03));
  CHECK(open->closed_holes == 1);
  const auto says = [&](const char* words) {
    return std::any_of(open->done.begin(), open->done.end(),
                       [&](const std::string& line) { return line.find(words) != std::string::npos; });
  };
  CHECK(says("is below --close-below 1.5"));
}

TEST_CASE("a cut far from the lumen is refused with the nearest place in it") {
  const TriangleMesh tube = open_tube(6.0, 60.0, 0.0, 1.0);
  RepairSettings settings;
  settings.cuts = {{Vector3d(95.0, 0.0, 30.0), Vector3d::UnitZ()}};
  const auto far = repair_lumen(tube, settings);
  REQUIRE_FALSE(far);
  CHECK(far.error().fault == RepairFault::cut_misses);
  CHECK(far.error().problem == "the cut at (95.00, 0.00, 30.00) mm lies 89.00 mm outside the lumen");
  CHECK(far.error().remedy.find("the nearest place in it is (0.00, 0.00, 30.00) mm") != std::string::npos);
  // Beyond an end: the nearest place on the way through.
  settings.cuts = {{Vector3d(0.0, 0.0, 95.0), Vector3d::UnitZ()}};
  const auto beyond = repair_lumen(tube, settings);
  REQUIRE_FALSE(beyond);
  CHECK(beyond.error().remedy.find("the nearest place in it is (0.00, 0.00, 30.00) mm") != std::string::npos);
  // On the wall or a little beside it is meant as in it.
  settings.cuts = {{Vector3d(8.0, 0.0, 30.0), Vector3d::UnitZ()}};
  CHECK(repair_lumen(tube, settings));
}

TEST_CASE("the cut that is proposed for a closed surface opens an end of it") {
  const TriangleMesh closed = closed_u();
  const auto cut = end_cut(closed);
  REQUIRE(cut);
  RepairSettings settings;
  settings.cuts = {*cut};
  const auto open = repair_lumen(closed, settings);
  REQUIRE(open);
  REQUIRE(open->openings.size() == 1);
  CHECK((open->openings[0].centre - cut->point).norm() < 0.1);
  CHECK(open->openings[0].radius_mm >= 2.9);
}

TEST_CASE("a branch that crosses the piece taken is named, and a wrap keeps it with its ends") {
  const TriangleMesh trunk = open_tube(6.0, 60.0, 0.0, 1.5);
  TriangleMesh branch = open_tube(4.0, 60.0, 0.0, 1.5);
  for (Vector3d& v : branch.vertices) v = Vector3d(v.z() - 20.3, v.y() + 0.1, 30.2 - v.x());
  const TriangleMesh both = joined(trunk, branch);
  const auto one = repair_lumen(both, {});
  REQUIRE(one);
  const auto says = [](const Repaired& repaired, const char* words) {
    return std::any_of(repaired.done.begin(), repaired.done.end(),
                       [&](const std::string& line) { return line.find(words) != std::string::npos; });
  };
  CHECK(one->openings.size() == 2);
  CHECK(says(*one, "Left out a piece that touches or crosses the one taken, with 6"));
  CHECK(says(*one, "--wrap MM joins them"));
  RepairSettings settings;
  settings.wrap_mm = 1.5;
  const auto wrapped = repair_lumen(both, settings);
  REQUIRE(wrapped);
  CHECK(wrapped->openings.size() == 4);
  CHECK(wrapped->handles == 0);
  CHECK(says(*wrapped, "Opened the wrap at 4 ends"));
  const auto sound = make_sound(wrapped->wall, [](const Vector3d&) { return std::string(); });
  REQUIRE(sound);
  // Two cylinders less what they share, which a row of slices gives: of half-width w(y) both, 4 w_a w_b.
  double shared = 0.0;
  for (double y = -4.0 + 0.005; y < 4.0; y += 0.01)
    shared += 0.01 * 4.0 * std::sqrt(36.0 - y * y) * std::sqrt(16.0 - y * y);
  CHECK(enclosed_volume(sound->mesh) ==
        Approx(std::numbers::pi * 60.0 * (36.0 + 16.0) - shared).epsilon(0.04));
  // What only touches in places apart from it is not named.
  for (Vector3d& v : branch.vertices) v += Vector3d(0.0, 30.0, 0.0);
  const auto apart = repair_lumen(joined(trunk, branch), {});
  REQUIRE(apart);
  CHECK_FALSE(says(*apart, "the one taken"));
}

TEST_CASE("every uneven end is cut flat, the same whichever the entry, and a hole in the side is not") {
  // Rings at both ends are left out by chance, and a hole of radius 3 or so in the wall half way.
  TriangleMesh tube = open_tube(6.0, 60.0, 0.0, 1.0);
  std::uint32_t state = 11;
  const auto chance = [&] {
    state = state * 1664525U + 1013904223U;
    return static_cast<double>(state) / 4294967296.0;
  };
  std::array<double, 12> low{}, high{};
  for (double& end : low) end = 3.0 * chance();
  for (double& end : high) end = 60.0 - 6.0 * chance();
  std::erase_if(tube.triangles, [&](const std::array<int, 3>& t) {
    const Vector3d middle =
        (tube.vertices[static_cast<std::size_t>(t[0])] + tube.vertices[static_cast<std::size_t>(t[1])] +
         tube.vertices[static_cast<std::size_t>(t[2])]) /
        3.0;
    const auto sector =
        static_cast<std::size_t>((std::atan2(middle.y(), middle.x()) / std::numbers::pi + 1.0) * 5.999);
    return middle.z() < low[sector] || middle.z() > high[sector] ||
           (middle - Vector3d(6.0, 0.0, 30.0)).norm() < 3.0;
  });
  const auto mended = repair_lumen(compact(tube), {});
  REQUIRE(mended);
  REQUIRE(mended->openings.size() == 3);
  CHECK(mended->moved_mm == 0.0);
  const Repaired flat = flatten_ends(*mended, 0.4);
  REQUIRE(flat.openings.size() == 3);
  REQUIRE(flat.trimmed.size() == 2);
  double taken = 0.0;
  for (const Rim& rim : flat.openings) {
    if (std::abs(rim.centre.z() - 30.0) < 5.0) {
      CHECK(rim.spread_mm > 0.4);  // 6 - sqrt(36 - 9) = 0.8 mm by the bend of the wall alone
      continue;
    }
    CHECK(rim.spread_mm < 1e-6);
    CHECK(rim.radius_mm == Approx(6.0).epsilon(0.05));
  }
  for (const TrimmedEnd& end : flat.trimmed) {
    taken = std::max(taken, end.taken_mm);
    const double z = end.centre.z();
    CHECK((z > 45.0 || z < 15.0));
    CHECK(end.taken_mm <= (z > 30.0 ? 8.0 : 5.0));
  }
  CHECK(taken > 1.0);
}

TEST_CASE("an opening that an edge of the box makes is told from an end") {
  const TriangleMesh tube = open_tube(6.0, 60.0, 0.0, 1.0);
  RepairSettings settings;
  settings.crop = Eigen::AlignedBox3d(Vector3d(-20.0, -20.0, 10.0), Vector3d(20.0, 20.0, 50.0));
  const auto ends = repair_lumen(tube, settings);
  REQUIRE(ends);
  CHECK(ends->openings.size() == 2);
  CHECK(ends->round_edge.empty());
  settings.crop = Eigen::AlignedBox3d(Vector3d(-3.0, -20.0, 10.0), Vector3d(20.0, 20.0, 50.0));
  const auto edge = repair_lumen(tube, settings);
  REQUIRE(edge);
  REQUIRE(edge->openings.size() == 1);
  CHECK(edge->round_edge.size() == 1);
  CHECK(flatten_ends(*edge, 0.4).trimmed.empty());
}

TEST_CASE("an opening along a face of the box that meets the tube's own end is neither an end nor an edge") {
  const TriangleMesh tube = open_tube(6.0, 60.0, 0.0, 1.0);
  const auto cropped_from = [&](double x, double z) {
    RepairSettings settings;
    settings.crop = Eigen::AlignedBox3d(Vector3d(x, -20.0, z), Vector3d(20.0, 20.0, 80.0));
    const auto part = repair_lumen(tube, settings);
    REQUIRE(part);
    return *part;
  };
  // Its own ends lie within the box: the face x = -3 lays the tube open from one to the other.
  const Repaired along = cropped_from(-3.0, -20.0);
  REQUIRE(along.openings.size() == 1);
  CHECK(along.round_edge.empty());
  CHECK(along.partly_on_box.size() == 1);
  CHECK(flatten_ends(along, 0.4).partly_on_box.size() == 1);
  // One of them lies on a face of the box.
  const Repaired flush = cropped_from(-3.0, 0.0);
  REQUIRE(flush.openings.size() == 1);
  CHECK(flush.partly_on_box.size() == 1);
  // Laid open lengthwise it is not cut flat into a long opening, though one end is closed.
  RepairSettings settings;
  settings.crop = Eigen::AlignedBox3d(Vector3d(-8.0, -20.0, -20.0), Vector3d(20.0, 20.0, 80.0));
  const auto trough = repair_lumen(shapes::block(12.0, 0.0, 60.0, false, true), settings);
  REQUIRE(trough);
  CHECK(trough->partly_on_box.size() == 1);
  CHECK(flatten_ends(*trough, 0.4).trimmed.empty());
  // A face across the tube makes an end, and the tube's own ends are theirs.
  for (const double z : {-20.0, 0.0, 10.0}) {
    const Repaired across = cropped_from(-20.0, z);
    CHECK(across.openings.size() == 2);
    CHECK(across.round_edge.empty());
    CHECK(across.partly_on_box.empty());
  }
}

TEST_CASE("a crop whose faces go through vertices comes to an end, and one that touches opens nothing") {
  // Rings of vertices at whole z, and two lines of them in x = 0.
  constexpr int kSides = 24;
  const auto ringed = [](double radius) {
    TriangleMesh tube;
    for (int ring = 0; ring <= 50; ring += 2)
      for (int side = 0; side < kSides; ++side) {
        const double angle = 2.0 * std::numbers::pi * side / kSides;
        tube.vertices.emplace_back(radius * std::cos(angle), radius * std::sin(angle), ring);
      }
    for (int v = 0; v + kSides < static_cast<int>(tube.vertices.size()); ++v) {
      const int next = v % kSides == kSides - 1 ? v + 1 - kSides : v + 1;
      tube.triangles.push_back({v, next, next + kSides});
      tube.triangles.push_back({v, next + kSides, v + kSides});
    }
    return tube;
  };
  RepairSettings settings;
  settings.crop = Eigen::AlignedBox3d(Vector3d(0.0, -20.0, -5.0), Vector3d(20.0, 20.0, 30.0));
  const auto half = repair_lumen(ringed(6.0), settings);
  REQUIRE(half);
  CHECK(half->openings.size() == 1);
  for (const Vector3d& p : half->wall.vertices) CHECK((p.x() >= -1e-3 && p.z() <= 30.0 + 1e-3));
  const TriangleMesh closed = shapes::block(12.0, 0.0, 40.0, true, true);
  settings.crop = Eigen::AlignedBox3d(Vector3d(-12.0, -12.0, 0.0), Vector3d(12.0, 12.0, 40.0));
  const auto whole = repair_lumen(closed, settings);
  REQUIRE(whole);
  CHECK(whole->openings.empty());
}

TEST_CASE("a crop keeps what lies in its box, open at its faces") {
  const TriangleMesh closed = closed_u();  // the box holds 10 mm of one arm
  RepairSettings settings;
  settings.crop = Eigen::AlignedBox3d(Vector3d(-5.0, -5.0, 5.0), Vector3d(5.0, 5.0, 15.0));
  const auto part = repair_lumen(closed, settings);
  REQUIRE(part);
  REQUIRE(part->openings.size() == 2);
  for (const Rim& rim : part->openings) {
    CHECK(rim.spread_mm < 1e-9);
    CHECK(rim.radius_mm == Approx(3.0).epsilon(0.05));
    CHECK((std::abs(rim.centre.z() - 5.0) < kCutMove_mm || std::abs(rim.centre.z() - 15.0) < kCutMove_mm));
  }
  const auto solid = make_sound(part->wall, [](const Vector3d&) { return std::string(); });
  REQUIRE(solid);
  CHECK(enclosed_volume(solid->mesh) == Approx(std::numbers::pi * 9.0 * 10.0).epsilon(0.06));
  settings.crop = Eigen::AlignedBox3d(Vector3d(500.0, 0.0, 0.0), Vector3d(501.0, 1.0, 1.0));
  const auto nothing = repair_lumen(closed, settings);
  REQUIRE_FALSE(nothing);
  CHECK(nothing.error().fault == RepairFault::nothing_left);
}

TEST_CASE("a cut through a ring takes nothing off and says so") {
  const int n = 40;
  TriangleMesh ring;  // radius 20 about the origin, 4 thick; a torus has one handle
  for (int i = 0; i < n; ++i)
    for (int k = 0; k < 16; ++k) {
      const double a = 2.0 * std::numbers::pi * i / n;
      const double b = 2.0 * std::numbers::pi * k / 16;
      const double r = 20.0 + 4.0 * std::cos(b);
      ring.vertices.emplace_back(r * std::cos(a), r * std::sin(a), 4.0 * std::sin(b));
      const auto id = [&](int x, int y) { return (x % n) * 16 + y % 16; };
      ring.triangles.push_back({id(i, k), id(i + 1, k), id(i + 1, k + 1)});
      ring.triangles.push_back({id(i, k), id(i + 1, k + 1), id(i, k + 1)});
    }
  CHECK(handles_of(ring, 0) == 1);
  RepairSettings settings;
  settings.cuts = {{Vector3d(20.0, 0.0, 0.0), Vector3d::UnitY()}};
  const auto joined_still = repair_lumen(ring, settings);
  REQUIRE_FALSE(joined_still);
  CHECK(joined_still.error().fault == RepairFault::cut_joined);
  settings.cuts.push_back({Vector3d(0.0, 20.0, 0.0), Vector3d::UnitX()});
  const auto quarter = repair_lumen(ring, settings);
  REQUIRE(quarter);  // the part between the cuts is beyond both
  CHECK(quarter->openings.size() == 2);
  CHECK(quarter->handles == 0);
}

TEST_CASE("smoothing moves no vertex farther than its bound and evens out what is rough") {
  TriangleMesh rough = open_tube(5.0, 40.0, 0.5, 1.0);
  std::uint32_t state = 5;
  for (Vector3d& v : rough.vertices)
    for (double& c : v) {
      state = state * 1664525U + 1013904223U;
      c += 0.2 * (static_cast<double>(state) / 4294967296.0 - 0.5);
    }
  const SmoothedWall smooth = smoothed(rough, 0.25);
  REQUIRE(smooth.done);
  double most = 0.0;
  // How unevenly far from the middle line the wall is, the ends left out: they are held.
  const TubePath path =
      TubePath::from_bends(Eigen::Isometry3d::Identity(), {{40.0, Eigen::Vector2d(0.5 / 40.0, 0.0)}});
  const auto scatter = [&](const TriangleMesh& mesh) {
    double n = 0.0, sum = 0.0, squares = 0.0;
    for (const Vector3d& p : mesh.vertices) {
      const auto near = path.nearest(p);
      if (near.station_mm < 2.0 || near.station_mm > 38.0) continue;
      n += 1.0;
      sum += near.distance_mm;
      squares += near.distance_mm * near.distance_mm;
    }
    return std::pair(sum / n, std::sqrt(squares / n - sum / n * sum / n));
  };
  for (std::size_t v = 0; v < rough.vertices.size(); ++v)
    most = std::max(most, (smooth.mesh.vertices[v] - rough.vertices[v]).norm());
  CHECK(most <= 0.25 + 1e-12);
  CHECK(smooth.moved_mm == Approx(most));
  CHECK(scatter(smooth.mesh).second < 0.6 * scatter(rough).second);
  CHECK(scatter(smooth.mesh).first <= scatter(rough).first);  // never wider
  CHECK(scatter(smooth.mesh).first >= scatter(rough).first - 0.25);
}

TEST_CASE("a printed block gives the lumen that was left free in it") {
  const TriangleMesh tube = open_tube(5.0, 40.0, 0.0, 1.2);
  const TriangleMesh body = drilled_block(tube);
  RepairSettings settings;
  settings.body = true;
  const auto lumen = repair_lumen(body, settings);
  REQUIRE(lumen);
  CHECK(lumen->openings.size() == 2);
  CHECK(farthest_sampled(lumen->wall, plain(tube)) < 1e-9);
  CHECK(farthest_sampled(tube, plain(lumen->wall)) < 1e-9);
  const auto sound = make_sound(lumen->wall, [](const Vector3d&) { return std::string(); });
  REQUIRE(sound);
  CHECK(enclosed_volume(sound->mesh) == Approx(std::numbers::pi * 25.0 * 40.0).epsilon(0.05));
}

TEST_CASE("how far one surface lies from another is bounded from above, and not by much") {
  const TriangleMesh ball = shapes::sphere(10.0, Vector3d::Zero(), 4);
  const TriangleMesh off = shapes::sphere(10.0, Vector3d(0.0, 0.0, 1.5), 4);
  const double told = farthest_from(off, ball);
  CHECK(told >= 1.5 - 0.05);
  CHECK(told <= 1.5 * 1.03 + 0.05);
  CHECK(farthest_from(ball, ball) == 0.0);
}

TEST_CASE("a cut through a ring of vertices opens as one beside it does") {
  const TriangleMesh tube = ringed_tube();
  for (int k = 14; k <= 96; k += 2) {
    const double z = (3 * k + 1) / 10.0;
    CAPTURE(z);
    RepairSettings settings;
    settings.cuts = {{Vector3d(0, 0, z), Vector3d::UnitZ()}, {Vector3d(0, 0, 3), -Vector3d::UnitZ()}};
    const auto open = repair_lumen(tube, settings);
    REQUIRE(open);
    REQUIRE(open->openings.size() == 2);
    for (const Rim& rim : open->openings) {
      CHECK(std::min(std::abs(rim.centre.z() - z), std::abs(rim.centre.z() - 3.0)) <= 1.001 * kCutMove_mm);
      // A regular polygon of 12 corners on a circle of 4.
      CHECK(rim.radius_mm == Approx(12 * 2 * 4.0 * std::sin(std::numbers::pi / 12) / (2 * std::numbers::pi)));
    }
  }
}

TEST_CASE("a cut whose opening is not in the piece taken is refused") {
  RepairSettings settings;
  settings.cuts = {{Vector3d(0, 0, 8.2), Vector3d::UnitZ()}, {Vector3d(0, 0, 20.2), -Vector3d::UnitZ()}};
  const auto one = repair_lumen(ringed_tube(), settings);
  REQUIRE_FALSE(one);
  CHECK(one.error().problem.find("leaves no opening") != std::string::npos);
}

TEST_CASE("every cut opens an end of its own, or is refused by its number with the reason") {
  const TriangleMesh tube = ringed_tube();
  const auto refusal = [&](const TriangleMesh& mesh, const RepairSettings& settings) {
    const auto cut = repair_lumen(mesh, settings);
    REQUIRE_FALSE(cut);
    CHECK(cut.error().remedy.find("--") != std::string::npos);
    return cut.error().problem;
  };
  RepairSettings settings;
  // The same cut twice, or two within a hair of one another: one opening only could come of them.
  const CutPlane up{Vector3d(0, 0, 20), Vector3d::UnitZ()};
  for (const double apart : {0.0, 2e-4, 0.02, 4.0}) {
    CAPTURE(apart);
    settings.cuts = {up, {Vector3d(0, 0, 20 + apart), Vector3d::UnitZ()}};
    const std::string said = refusal(tube, settings);
    CAPTURE(said);
    CHECK(said.find("opens nothing: cut ") != std::string::npos);
    if (apart > 0.01) CHECK(said.find("cut 2 at (0.00, 0.00, ") == 0);  // it is the outer one that goes
  }
  // Both arms of a U in one plane: each cut has its own line in it. One arm twice is none for the other.
  const TriangleMesh u = closed_u();
  const Vector3d down(0.0, 0.0, -1.0);
  Eigen::AlignedBox3d box;
  for (const Vector3d& v : u.vertices) box.extend(v);
  const Vector3d far(2.0 * box.center().x(), 2.0 * box.center().y(),
                     5.0);  // the first arm stands at x = y = 0
  settings.cuts = {{Vector3d(0, 0, 5), down}, {far, down}};
  const auto both = repair_lumen(u, settings);
  REQUIRE(both);
  CHECK(both->openings.size() == 2);
  settings.cuts.push_back({far + Vector3d(0.5, 0.5, 0), down});
  CHECK(refusal(u, settings).find("opens nothing: cut ") != std::string::npos);
  // A second cut that meets nothing.
  settings.cuts = {up, {Vector3d(0, 0, 50), Vector3d::UnitZ()}};
  CHECK(refusal(tube, settings).find("cut 2 at (0.00, 0.00, 50.00) mm crosses no wall") == 0);
  // One that takes the part with the point that names the piece.
  settings.keep_at = Vector3d(0, 0, 25);
  settings.cuts = {{Vector3d(0, 0, 5), down}, up};
  CHECK(refusal(tube, settings) ==
        "cut 2 at (0.00, 0.00, 20.00) mm takes off the part that holds the point of --keep-at");
  settings.keep_at = Vector3d(0, 0, 15);
  const auto kept = repair_lumen(tube, settings);
  REQUIRE(kept);
  CHECK(kept->openings.size() == 2);
}

namespace {

/// What a mesh that was made ugly becomes: a sound wall with both its openings, within the printed distance.
void check_mended(const TriangleMesh& ugly, const TriangleMesh& clean, double most_mm) {
  const auto mended = repair_lumen(ugly, {});
  if (!mended) FAIL(mended.error().problem << ", " << mended.error().remedy);
  const auto sound = make_sound(mended->wall, [](const Vector3d&) { return std::string(); });
  INFO((sound ? std::string("sound") : sound.error().problem));
  CHECK(sound);
  CHECK_FALSE(mended->wrapped);
  const Repaired flat = flatten_ends(*mended, 0.4);
  CHECK(flat.openings.size() == 2);
  CHECK(mended->moved_mm <= most_mm);
  CHECK(farthest_sampled(mended->wall, plain(clean)) <= mended->moved_mm + 5e-4);
}

/// A cloud of triangles that hang on nothing, of about a millimetre, in a box of 30 mm.
TriangleMesh loose_triangles(int count) {
  std::mt19937 random(11);
  std::uniform_real_distribution<double> place(0.0, 30.0);
  std::uniform_real_distribution<double> step(-1.0, 1.0);
  TriangleMesh mesh;
  for (int i = 0; i < count; ++i) {
    const Vector3d at(place(random), place(random), place(random));
    for (int k = 0; k < 3; ++k)
      mesh.vertices.push_back(at + Vector3d(step(random), step(random), step(random)));
    mesh.triangles.push_back({3 * i, 3 * i + 1, 3 * i + 2});
  }
  return mesh;
}

}  // namespace

TEST_CASE("vertices on the edges of other triangles are joined to them") {
  const TriangleMesh clean = open_tube(5.0, 60.0, 1.0, 1.6);
  std::mt19937 random(3);
  TriangleMesh ugly = clean;
  for (std::size_t i = 0; i < clean.triangles.size(); ++i) {
    if (random() % 5 != 0) continue;
    const auto [a, b, c] = clean.triangles[i];
    const int middle = static_cast<int>(ugly.vertices.size());
    ugly.vertices.push_back(
        0.5 * (clean.vertices[static_cast<std::size_t>(a)] + clean.vertices[static_cast<std::size_t>(b)]));
    ugly.triangles[i] = {a, middle, c};
    ugly.triangles.push_back({middle, b, c});
  }
  check_mended(ugly, clean, 0.02);
}

TEST_CASE("many small holes are closed, also where they meet in a point or at an end's rim") {
  const TriangleMesh clean = open_tube(5.0, 60.0, 1.0, 1.6);
  for (const std::uint32_t seed : {1U, 2U, 3U}) {
    CAPTURE(seed);
    std::mt19937 random(seed);
    TriangleMesh ugly = clean;
    std::erase_if(ugly.triangles, [&](const auto&) { return random() % 60 == 0; });
    check_mended(compact(ugly), clean, 1.6);
  }
}

TEST_CASE("loose triangles become the surface that they were made of, or are refused with what would do") {
  const TriangleMesh clean = open_tube(5.0, 60.0, 1.0, 1.6);
  std::mt19937 random(5);
  std::uniform_real_distribution<double> noise(-1e-4, 1e-4);
  TriangleMesh soup;
  for (const auto& t : clean.triangles) {
    const int base = static_cast<int>(soup.vertices.size());
    for (const int v : t)
      soup.vertices.push_back(clean.vertices[static_cast<std::size_t>(v)] +
                              Vector3d(noise(random), noise(random), noise(random)));
    soup.triangles.push_back({base, base + 1, base + 2});
  }
  check_mended(soup, clean, 0.03);
  const auto scraps = repair_lumen(loose_triangles(4000), {});
  REQUIRE_FALSE(scraps);
  CHECK(scraps.error().fault == RepairFault::loose);
  CHECK(scraps.error().problem.find("4000 loose pieces") != std::string::npos);
  CHECK(scraps.error().remedy.find("--wrap MM") != std::string::npos);
}

TEST_CASE("a wrap and mending in place end with the effort") {
  const TriangleMesh closed = closed_u();
  CHECK(wrapped(closed, 2.0, 0.1));
  CHECK_FALSE(wrapped(closed, 0.4, 0.02, withy_test::stopped_after(3)));
  TriangleMesh crossing = closed;
  for (Vector3d& v : crossing.vertices)
    if ((v - Vector3d(3.0, 0.0, 10.0)).norm() < 1.6) v.x() -= 8.0;
  REQUIRE(crosses_itself(crossing));
  CHECK(crossing_pairs(crossing) > 0);
  CHECK_FALSE(without_crossings(crossing, withy_test::stopped_after(0)));
}

TEST_CASE("a wrap that closes openings says how many boundary loops there were, and what it closed") {
  const TriangleMesh tube = open_tube(4.0, 30.0, 0.0, 1.5);
  const auto says = [](const Repaired& repaired, const char* words) {
    return std::any_of(repaired.done.begin(), repaired.done.end(),
                       [&](const std::string& line) { return line.find(words) != std::string::npos; });
  };
  RepairSettings settings;
  settings.wrap_mm = 10.0;  // wider than the ends
  const auto closed = repair_lumen(tube, settings);
  REQUIRE(closed);
  CHECK(closed->openings.empty());
  CHECK(closed->loops_given == 2);
  REQUIRE(closed->closed_by_wrap.size() == 2);
  CHECK(closed->closed_by_wrap[0].radius_mm == Approx(4.0).epsilon(0.02));
  CHECK(says(*closed,
             "it had 2 boundary loops, and the wrap closed all of them, the longest with a radius of"));
  // A cut opens what it closed.
  settings.cuts = {{Vector3d(0.0, 0.0, 25.0), Vector3d::UnitZ()}};
  const auto cut = repair_lumen(tube, settings);
  REQUIRE(cut);
  CHECK(cut->openings.size() == 1);
  // Of two ends and a small hole the ends are kept.
  settings.cuts.clear();
  settings.wrap_mm = 2.0;
  TriangleMesh holed = tube;
  const auto in_wall =
      std::find_if(holed.triangles.begin(), holed.triangles.end(), [&](const std::array<int, 3>& t) {
        return std::all_of(t.begin(), t.end(), [&](int v) {
          const double z = holed.vertices[static_cast<std::size_t>(v)].z();
          return z > 5.0 && z < 25.0;
        });
      });
  REQUIRE(in_wall != holed.triangles.end());
  holed.triangles.erase(in_wall);
  const auto kept = repair_lumen(holed, settings);
  REQUIRE(kept);
  CHECK(kept->openings.size() == 2);
  CHECK(says(*kept, "it had 3 boundary loops, and the wrap closed 1 of them"));
  // Nothing is said where nothing was closed.
  const auto all = repair_lumen(tube, settings);
  REQUIRE(all);
  CHECK_FALSE(says(*all, "boundary loop"));
}

TEST_CASE("of a thick wall's two skins the inner one is taken, and a wrap says that it swallows it") {
  const TriangleMesh skins = joined(open_tube(7.0, 60.0, 0.0, 2.0), open_tube(5.0, 60.0, 0.0, 2.0));
  const auto inner = repair_lumen(skins, {});
  REQUIRE(inner);
  CHECK(says(inner->done, "two skins"));
  REQUIRE(inner->openings.size() == 2);
  CHECK(inner->openings[0].radius_mm == Approx(5.0).epsilon(0.02));
  RepairSettings settings;
  settings.wrap_mm = 2.0;
  const auto wrap = repair_lumen(skins, settings);
  REQUIRE(wrap);
  CHECK(wrap->swallowed_mm == Approx(2.0).margin(0.3));  // 7 less 5, an offset of 0.1 and chords of 2 mm
  CHECK(says(wrap->done, "swallowed"));
}

TEST_CASE("a void in a body's wall does not pass for its lumen, and is named") {
  const TriangleMesh tube = open_tube(5.0, 40.0, 0.0, 1.2);
  TriangleMesh bubble = turned_over(shapes::block(1.0, 19.0, 21.0, true, true));
  for (Vector3d& p : bubble.vertices) p.x() += 9.0;
  const TriangleMesh body = joined(drilled_block(tube), bubble);
  RepairSettings settings;
  settings.body = true;
  const auto lumen = repair_lumen(body, settings);
  REQUIRE(lumen);
  CHECK(lumen->openings.size() == 2);
  CHECK(says(lumen->done, "1 lumen more, about (9.00, 0.00, 20.00) mm"));
  CHECK_FALSE(says(lumen->done, "mouth"));
  settings.keep_at = Vector3d(9.0, 0.0, 20.0);
  const auto other = repair_lumen(body, settings);
  REQUIRE(other);
  CHECK(other->openings.empty());
  CHECK(enclosed_volume(other->wall) == Approx(8.0));
}

TEST_CASE("a mouth that opens wide is cut off a body's lumen, and its depth is said") {
  // Cones from z = 8 to a radius of 11 and of 7 in the face z = 0: the rim that is left is even, and ragged.
  for (const double slope : {1.0, 0.5}) {
    TriangleMesh body = drilled_block(open_tube(3.0, 40.0, 0.0, 0.8));
    for (Vector3d& p : body.vertices)
      if (const double r = p.head<2>().norm(); r < 3.1 && p.z() < 8.0)
        p.head<2>() *= (3.0 + slope * (8.0 - p.z())) / r;
    RepairSettings settings;
    settings.body = true;
    const auto lumen = repair_lumen(body, settings);
    REQUIRE(lumen);
    const auto said = std::find_if(lumen->done.begin(), lumen->done.end(), [](const std::string& line) {
      return line.find("mm deep in the body's box") != std::string::npos;
    });
    REQUIRE(said != lumen->done.end());
    double deepest = 0.0;
    for (const Rim& rim : lumen->openings)
      for (const Vector3d& p : rim.points)
        if (rim.centre.z() < 20.0) deepest = std::max(deepest, p.z());
    CHECK(deepest > 3.0);
    CHECK(std::stod(said->substr(said->find(" lies ") + 6)) == Approx(deepest).margin(0.1));
  }
}
