// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/show/channel_report.h"

#include <algorithm>

#include <catch2/catch.hpp>

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
