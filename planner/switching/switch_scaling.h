// SPDX-License-Identifier: GPL-3.0-or-later
// What happens to the hardware when every length of the segment is multiplied by one factor.
//
// What scales with the segment, factor k, same materials and same shapes (bends keep their angles):
//   lengths, stations, radii, notch pitch, disk spacing, insertion   k
//   curvature limit                                                  1/k
//   flexural rigidity (modulus times second moment of area)          k^4
//   magnet moment (remanence times volume)                           k^3
//   switch and hold torque of the lock, its hold moment (stress x area x arm)  k^3
//   pretension (stress x area), axial stiffness of wires (EA), mass per length   k^2
//   mass of a lock k^3, torsional and wires' flexural rigidity       k^4
// What does not, because it belongs to the bench or to the workshop: the motors' tension limit and stroke,
// the way to them, the coils and their field limit, the ambient field, the engage window and the backlash;
// friction coefficient and all angles are pure numbers. A lock whose torque is set by dirt and friction may
// not shrink with k^3; the field it would need with the torque it has now is reported beside.
#pragma once

#include <string>
#include <vector>

#include "planner/switching/switch_map.h"

namespace withy {

/// `parts` at `factor` times its size. Precondition: factor > 0.
DesignParts scaled(const DesignParts& parts, double factor);

/// A need against its limit. `name` as printed, `need` and `limit` in `unit`; a limit of 0 means that there
/// is none.
struct ScaledNeed {
  std::string name;
  std::string unit;
  double need = 0.0;
  double limit = 0.0;
  bool broken() const;
  /// Limit over need: below 1 it is broken; infinite without a limit or a need.
  double reserve() const;
};

struct ScaledDesign {
  double factor = 1.0;
  double magnet_Am2 = 0.0;
  double switch_torque_Nmm = 0.0;
  double notch_angle_rad = 0.0;     ///< p / r_b: the step between latched bends; 0 for a friction lock
  double backlash_angle_rad = 0.0;  ///< b / r_b
  double switch_reserve = 0.0;      ///< least that locking from the base up has, in the bends where it works
  double field_same_torque_mT =
      0.0;  ///< field need if switch and hold torque stayed what they are at factor 1
  /// Field, tension, pull, lock load, buckling, latch, in this order; those the scene says nothing about are
  /// left out.
  ///   field      strongest that locking from the base up asks for, over the bends in which any field does
  ///   tension    largest at the base, tightest bend of the free segment in any direction, friction included
  ///   pull       largest, same bends
  ///   lock load  EI kappa_max: straight frozen region, free region bent as far as it goes
  ///   buckling   the same moment against that at which a held backbone buckles between disks (segment/
  ///              backbone_buckling.h); with disks and elastic.backbone_EI_Nmm2 only
  ///   latch      engage window plus backlash against half a pitch: beyond it notches can't be told apart
  std::vector<ScaledNeed> needs;

  /// Index into needs of the smallest reserve; -1 when there are none.
  int first_to_break() const;
};

/// One for each factor; fewer, the last of them to be dropped, where the effort is cut short. Precondition:
/// the design has locks.
std::vector<ScaledDesign> scale_designs(const Design& design, const BendGrid& grid,
                                        const std::vector<double>& factors, const Effort& effort = Effort());

}  // namespace withy
