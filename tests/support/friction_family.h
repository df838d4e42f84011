// SPDX-License-Identifier: GPL-3.0-or-later
// Questions about friction locks (every bend is latchable) whose answers are known without a search.
//
// Reached: a witness. Its actions are written down, the channel is made so that they are clear, the target is
// where they lead. The route is part of the question, and whoever asks it may have it verified.
//
// Unreachable: one of
//   room      within the tolerance about the target, or in all of a stretch that has to be passed, no point
//   of the lumen is as far from
//             the wall as a ball of the body's radius and the clearance needs;
//   lateral   a curve of length L and curvature at most k that starts along z comes at most 1/k + L - pi/(2k)
//   off the axis, since its
//             angle to the axis at arc length s is at most min(k s, .) and it gains sin(angle) ds
//             (elementary; L >= pi/(2k));
//   turning   the tangent turns by at most k times the flexible length;
//   one arc   without a switch the body past the guide or the frozen straight part is one arc: of flexible
//   length f, turned by t, with a
//             rigid tip w, it ends (1 - cos t) f/t + w sin t off the axis, so tilt and distance off the axis
//             go together;
//   field     no switch: a magnet of moment m that turns by 90 degrees gets at every angle a torque of at
//   least T from a field B only
//             where m B cos(45 degrees) >= T (scenes/MODEL.md, 17, by hand).
#pragma once

#include <memory>
#include <string>
#include <vector>

#include "planner/search/problem.h"
#include "planner/search/route/route.h"

namespace withy_test {

struct FrictionQuestion {
  std::string name;
  withy::SearchProblem problem;
  bool reached = false;
  std::string reason;                   ///< of the answer: one of those above
  std::optional<withy::Route> witness;  ///< where it is reached
};

/// All of them; `short_form`: one of each kind, those that take least to make.
std::vector<FrictionQuestion> friction_family(bool short_form);

}  // namespace withy_test
