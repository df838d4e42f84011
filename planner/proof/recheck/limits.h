// SPDX-License-Identifier: GPL-3.0-or-later
// The checker's own limits: does every state of a box break one?
//
// Used are only those that a certificate names. Each test answers true only where every state of the box
// breaks it; what it can't tell is false. Source of each: scenes/MODEL.md, by its equations.
//
//   curvature (3)   |u| <= kappa_max in every region; of a frozen region |theta| <= kappa_max f_e(d).
//   tendons (8-13)  pull, tension at the base, what each engaged lock carries at friction's worst: tendons.h.
#pragma once

#include <optional>
#include <string>

#include "planner/proof/recheck/tendons.h"

namespace withy::recheck {

/// Which limits a proof may use beside insertion and curvature.
struct LimitsUsed {
  bool clearance = true;
  bool tendons = true;
  bool field = true;
};

class Limits {
 public:
  Limits(const Robot& robot, const LimitsUsed& used);

  /// Does every state of the box break curvature, insertion or the tendons' limits?
  bool broken_by(const Body& body, const StateBox& box) const;
  /// The same of curvature and insertion only.
  bool curvature_broken_by(const Body& body, const StateBox& box) const;

  /// Does every state of the box surely break none? Asked of boxes as small as points.
  bool may_be_kept_by(const Body& body, const StateBox& box) const;

  /// Does every state of the box keep every limit to within `share` of it? Empty: it does. Else what may be
  /// broken, in words.
  std::string breach(const Body& body, const StateBox& state, double share) const;

 private:
  std::string tendon_breach(const Body& body, const StateBox& box, double share) const;

  const Robot& robot_;
  std::optional<Tendons> tendons_;  // where they count
};

}  // namespace withy::recheck
