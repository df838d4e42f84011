// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/show/channel_report.h"

#include <algorithm>

#include <catch2/catch.hpp>

#include "planner/scene/places.h"

using namespace withy;

namespace {

/// Along a tube of 6 mm radius with a neck of 1 mm a few millimetres before its end at 60 mm.
CentrelineBranch necked(int opening) {
  CentrelineBranch branch;
  branch.opening = opening;
  for (double s = 0.0; s <= 60.0; s += 1.0) {
    CentrelinePoint point;
    point.station_mm = s;
    point.p_E = {0.0, 0.0, s};
    point.radius_mm = std::max(1.0, std::min(6.0, s <= 57.0 ? 6.0 - (s - 50.0) * 5.0 / 7.0 : s - 56.0));
    branch.points.push_back(point);
  }
  return branch;
}

double narrowest_mm(const std::vector<CentrelinePoint>& points) {
  double least = points.front().radius_mm;
  for (const CentrelinePoint& point : points) least = std::min(least, point.radius_mm);
  return least;
}

}  // namespace

TEST_CASE("A neck before an opening counts, however near the end it is") {
  CHECK(narrowest_mm(passed_points(necked(1))) == Approx(1.0));
  CHECK(passed_points(necked(1)).size() == 61);
}

TEST_CASE("Of a blind branch the end's own wall does not count, and a neck before it does") {
  CHECK(narrowest_mm(passed_points(necked(-1))) == Approx(1.0));
  // A ball of 6 mm at a tube's flat end: the last 6 mm of its middle line are as far from the end as they
  // are.
  CentrelineBranch blind;
  for (double s = 0.0; s <= 40.0; s += 1.0) {
    CentrelinePoint point;
    point.station_mm = s;
    point.radius_mm = std::min(6.0, 40.0 - s);
    blind.points.push_back(point);
  }
  CHECK(narrowest_mm(passed_points(blind)) == Approx(6.0));
}

TEST_CASE("Of a blind branch that runs aslant into a corner of the wall the corner does not count") {
  // 3 mm of room as far as 20 mm; then the line meets the wall at an angle whose sine is 0.4.
  CentrelineBranch aslant;
  for (int i = 0; i <= 275; ++i) {
    CentrelinePoint point;
    point.station_mm = 0.1 * i;
    point.radius_mm = std::min(3.0, 0.4 * (27.5 - point.station_mm));
    aslant.points.push_back(point);
  }
  CHECK(narrowest_mm(passed_points(aslant)) == Approx(3.0));
  // A lumen that narrows over a longer way does count.
  for (CentrelinePoint& point : aslant.points) point.radius_mm = 3.0 - 0.1 * point.station_mm;
  CHECK(narrowest_mm(passed_points(aslant)) < 1.0);
}

TEST_CASE("The widest place is the first of those as wide, past the entry and away from the ends") {
  Centreline lines;
  CentrelineBranch branch;
  branch.opening = 1;
  for (int i = 0; i <= 60; ++i) {
    CentrelinePoint point;
    point.station_mm = i;
    point.p_E = {0.0, 0.0, point.station_mm - 20.0};
    // As wide at both ends as nowhere else; two places inside that differ by rounding, one before the entry.
    point.radius_mm = i < 3 || i > 57 ? 9.0 : i == 15 || i == 30 ? 5.0 : i == 40 ? 5.0 + 1e-9 : 4.0;
    branch.points.push_back(point);
  }
  lines.branches = {branch};
  const auto widest = widest_place(lines);
  REQUIRE(widest);
  CHECK(widest->at.station_mm == 30.0);
  CHECK(widest->branch == 0);
  CHECK(narrowest_place(lines)->at.radius_mm == 4.0);
  CHECK_FALSE(widest_place(Centreline()));
}
