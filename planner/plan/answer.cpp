// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/plan/answer.h"

#include <algorithm>
#include <cassert>
#include <string_view>

#include <fmt/format.h>

#include "geometry/numbers/rounding.h"

namespace withy {

std::string_view name_of(Verdict verdict) {
  switch (verdict) {
    case Verdict::reached:
      return "reached";
    case Verdict::unreachable:
      return "unreachable";
    case Verdict::undecided:
      return "undecided";
  }
  assert(false);
  return {};
}

bool TipDepth::stops_short() const {
  return proved && at_most_mm < target_mm && reached_mm < target_mm;
}

std::string TipDepth::sentence(const Eigen::Vector3d& place_S) const {
  std::string at_most = fmt::format("{:.1f} mm at most", -decimals_down(-at_most_mm, 1));
  if (!proved)
    at_most += ", where the middle line ends";
  else
    at_most += by_lumen ? " (proved, wherever the locks sit)" : " (proved)";
  std::string text;
  if (reached_mm >= target_mm) {
    text = fmt::format("the tip gets as deep as {}, {:.1f} mm, and {}", what, target_mm, at_most);
  } else {
    text = fmt::format("the tip gets {:.1f} mm deep at least and {}", decimals_down(reached_mm, 1), at_most);
    if (proved)
      text += fmt::format(", at ({:.1f}, {:.1f}, {:.1f}) mm, {:.1f} mm along branch {}", place_S.x(),
                          place_S.y(), place_S.z(), branch_station_mm, branch + 1);
    text += fmt::format("; {} is {:.1f} mm deep", what, target_mm);
  }
  if (no_nearer_mm)
    text += fmt::format("; {}it comes no nearer to it than {:.2f} mm (proved)",
                        directed ? "pointing as is asked, " : "", decimals_down(*no_nearer_mm, 2));
  if (cut_short && by_clock) text += "; a larger --budget gives that look more time";
  return text;
}

std::string OpenPart::sentence(const Eigen::Isometry3d& X_SE) const {
  const auto place = [&](const Eigen::Vector3d& p_E) {
    const Eigen::Vector3d p_S = X_SE * p_E;
    return fmt::format("({:.1f}, {:.1f}, {:.1f})", p_S.x(), p_S.y(), p_S.z());
  };
  if (cells == 0)
    return fmt::format(
        "{} cells are open, none of them with its tip on the way along the middle line to the target",
        beside);
  std::string text = fmt::format(
      "{} cells are open with their tips {:.0f} to {:.0f} mm deep, from {} to {} mm; the target is "
      "{:.1f} mm deep",
      cells, from_mm, to_mm, place(from_E), place(to_E), target_mm);
  if (beside > 0) text += fmt::format("; {} more have them elsewhere", beside);
  return text;
}

const PlannedAction* Plan::without_hunt() const {
  const auto found = std::find_if(actions.begin(), actions.end(),
                                  [](const PlannedAction& a) { return a.hunt && a.hunt->missing(); });
  return found == actions.end() ? nullptr : &*found;
}

std::optional<double> least_field_reserve(const Plan& plan) {
  std::optional<double> least;
  for (const PlannedAction& action : plan.actions)
    if (action.field_reserve) least = std::min(least.value_or(*action.field_reserve), *action.field_reserve);
  return least;
}

}  // namespace withy
