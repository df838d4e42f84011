// SPDX-License-Identifier: GPL-3.0-or-later
// What ends a piece of work, by hand.
#include "planner/effort/effort.h"

#include <cmath>

#include <catch2/catch.hpp>

#include "geometry/numbers/numbers.h"

using namespace withy;

TEST_CASE("work is spent above what was given, and a part never has more") {
  const Effort effort = Effort::of_work(100);
  CHECK_FALSE(effort.spent(100));
  CHECK(effort.spent(101));
  CHECK(effort.end(101) == Effort::End::work);
  CHECK_FALSE(effort.cut_short());
  CHECK(effort.part(40).work() == 40);
  CHECK(effort.part(400).work() == 100);
  CHECK(effort.renewed(400).work() == 400);
  CHECK_FALSE(Effort().spent(Effort::kAnyWork));
}

TEST_CASE("no time, less than none and no number leave no time; endless time is no clock") {
  for (const double seconds : {0.0, -1.0, std::nan(""), -kInfinity}) {
    const Effort effort = Effort::of_seconds(seconds);
    CAPTURE(seconds);
    CHECK(effort.end() == Effort::End::clock);
    CHECK(effort.spent(0));
    CHECK(effort.seconds_left() == 0.0);
  }
  for (const double seconds : {1e10, 1e300, kInfinity}) {
    const Effort effort = Effort::of_seconds(seconds);
    CAPTURE(seconds);
    CHECK_FALSE(effort.cut_short());
    CHECK_FALSE(effort.seconds().has_value());
    CHECK(std::isinf(effort.seconds_left()));
  }
  CHECK(Effort::of_seconds(1e6).seconds() == 1e6);
  CHECK_FALSE(Effort::of_seconds(1e6).cut_short());
}

TEST_CASE("every part ends with the whole, whoever ends it") {
  bool enough = false;
  bool no_patience = false;
  const Effort whole = Effort::of_seconds(1e6).until_stop([&] { return enough; }).until_interrupted([&] {
    return no_patience;
  });
  const Effort part = whole.part(10).until_stop([] { return false; });
  CHECK(part.end() == Effort::End::nothing);
  enough = true;
  CHECK(part.end() == Effort::End::stop);
  CHECK(part.cut_short());
  no_patience = true;
  CHECK(part.end() == Effort::End::interrupted);
  CHECK(whole.cut_short());
  CHECK(Effort::of_seconds(0.0).part(5).renewed(50).end() == Effort::End::clock);
}
