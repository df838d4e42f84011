// SPDX-License-Identifier: GPL-3.0-or-later
// Where no lock can be switched: what would let one be.
//
// "Can be switched" is looked at in the bends of a grid (switch_map.h), every lock in every state that a map
// looks at, for coils that have places at the largest insertion and at half of it. A value that is given has
// such a switch, of a reserve of 1, behind it: the design with that value was asked. That there is none in
// the grid proves nothing.
#pragma once

#include <optional>

#include "planner/switching/switch_map.h"

namespace withy {

/// The bends that are looked at: few, for each costs a search for currents.
inline constexpr BendGrid kRemedyBends{2, 8};

/// Is there a bend of the grid in which some lock switches within the design's limits? Precondition: locks.
bool some_lock_switches(const Design& design, const BendGrid& grid = kRemedyBends,
                        const Effort& effort = Effort());

/// Each alone, the others as they are, rounded up to three digits.
struct SwitchRemedies {
  std::optional<double> strength_max_mT;
  std::optional<double> magnet_Am2;
  std::optional<double> current_factor;  ///< of every coil's limit; coils with limits only
};

/// The most that may be asked for of each.
struct MostAsked {
  double strength_max_mT = kInfinity;
  double magnet_Am2 = kInfinity;
  double current_A = kInfinity;  ///< of any coil's limit
};

/// Precondition: locks and a field.
/// Where the effort is cut short, what was found by then.
SwitchRemedies switch_remedies(const Design& design, const MostAsked& most, const Effort& effort = Effort());

}  // namespace withy
