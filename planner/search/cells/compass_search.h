// SPDX-License-Identifier: GPL-3.0-or-later
// Compass search over insertion and free curvature (T. G. Kolda, R. M. Lewis and V. Torczon, "Optimization by
// Direct Search: New Perspectives on Some Classical and Modern Methods", SIAM Review 45(3), 2003, section
// 1.1): from a state a step each way along each coordinate, taken where it helps; all steps halve when none
// does.
#pragma once

#include <array>
#include <utility>

#include "planner/segment/state.h"

namespace withy {

struct CompassSteps {
  std::array<double, 3> first{};  ///< insertion (mm), ux, uy (1/mm); a coordinate with 0 is left alone
  int rounds = 0;                 ///< six tries each, at most
};

/// The state with the least `badness` found, at most `enough` where that was found. `within(state,
/// coordinate)` brings a state whose coordinate was changed back to where it may be; of better states only
/// those that are `allowed` are taken.
/// `hopeless(least, share, rounds)`: can what is badness `least` become enough no more, with `rounds` left
/// and steps of that share of the first at most? The search ends then.
template <class Badness, class Within, class Allowed, class Hopeless>
State compass_search(State best, double enough, const CompassSteps& steps, Badness&& badness, Within&& within,
                     Allowed&& allowed, Hopeless&& hopeless) {
  double least = badness(best);
  double share = 1.0;
  for (int round = 0; round < steps.rounds && least > enough; ++round) {
    if (hopeless(least, share, steps.rounds - round)) break;
    bool better = false;
    for (std::size_t c = 0; c < steps.first.size(); ++c) {
      if (steps.first[c] <= 0.0) continue;
      for (const double sign : {-share, share}) {
        State next = best;
        (c == 0 ? next.insertion_mm : next.u_free[static_cast<Eigen::Index>(c) - 1]) += sign * steps.first[c];
        next = within(next, static_cast<int>(c));
        const double b = badness(next);
        if (!(b < least) || !allowed(next)) continue;
        least = b;
        best = next;
        better = true;
      }
    }
    if (!better) share *= 0.5;
  }
  return best;
}

/// The same to the last round.
template <class Badness, class Within, class Allowed>
State compass_search(State best, double enough, const CompassSteps& steps, Badness&& badness, Within&& within,
                     Allowed&& allowed) {
  return compass_search(std::move(best), enough, steps, badness, within, allowed,
                        [](double, double, int) { return false; });
}

}  // namespace withy
