// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/proof/relaxations/no_switch.h"

#include <algorithm>
#include <vector>

#include "planner/segment/field.h"

namespace withy {

namespace {

/// All states without an engaged lock.
StateBox all_released(const Design& design) {
  const double kappa = design.segment().curvature_max_per_mm;
  StateBox box;
  box.insertion_lo_mm = 0.0;
  box.insertion_hi_mm = design.carriage().insertion_max_mm;
  box.u_lo = {-kappa, -kappa};
  box.u_hi = {kappa, kappa};
  return box;
}

/// The two halves of a box, cut across what is widest of the whole.
std::vector<StateBox> halves(const StateBox& box, const StateBox& whole) {
  const auto share = [](double lo, double hi, double of_lo, double of_hi) {
    return of_hi > of_lo ? (hi - lo) / (of_hi - of_lo) : 0.0;
  };
  const double d =
      share(box.insertion_lo_mm, box.insertion_hi_mm, whole.insertion_lo_mm, whole.insertion_hi_mm);
  const double x = share(box.u_lo.x(), box.u_hi.x(), whole.u_lo.x(), whole.u_hi.x());
  const double y = share(box.u_lo.y(), box.u_hi.y(), whole.u_lo.y(), whole.u_hi.y());
  std::vector<StateBox> parts = {box, box};
  if (d >= x && d >= y) {
    parts[0].insertion_hi_mm = parts[1].insertion_lo_mm = 0.5 * (box.insertion_lo_mm + box.insertion_hi_mm);
  } else {
    const Eigen::Index k = x >= y ? 0 : 1;
    parts[0].u_hi[k] = parts[1].u_lo[k] = 0.5 * (box.u_lo[k] + box.u_hi[k]);
  }
  return parts;
}

/// Share by which (a)'s two sides may be wrong.
constexpr double kFieldRounding = 1e-8;

/// (a).
bool too_weak_anywhere(const Design& design) {
  const double most_mT = std::min(design.field()->strength_max_mT, most_coil_field_mT(design)) +
                         design.field()->ambient_S.norm();
  return least_strength_mT(design) > most_mT * (1.0 + kFieldRounding) + kFieldRounding;
}

bool never_engages(const Hardware& hardware, int lock, int most_boxes, const Effort& effort) {
  const StateBox whole = all_released(hardware.design());
  std::vector<StateBox> open = {whole};
  for (int looks = 0; !open.empty(); ++looks) {
    if (looks >= most_boxes || effort.cut_short()) return false;
    const StateBox box = open.back();
    open.pop_back();
    switch (hardware.switch_over(box, lock)) {
      case BoxVerdict::none:
        break;
      case BoxVerdict::all:
        return false;
      case BoxVerdict::some:
        for (const StateBox& part : halves(box, whole)) open.push_back(part);
    }
  }
  return true;
}

}  // namespace

bool no_lock_ever_engages(const Hardware& hardware, int most_boxes, const Effort& effort) {
  if (!hardware.checks_field()) return false;
  if (too_weak_anywhere(hardware.design())) return true;
  for (int lock = 0; lock < hardware.design().lock_count(); ++lock)
    if (!never_engages(hardware, lock, most_boxes, effort)) return false;
  return true;
}

}  // namespace withy
