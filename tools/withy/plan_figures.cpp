// SPDX-License-Identifier: GPL-3.0-or-later
#include "tools/withy/plan_figures.h"

#include <algorithm>
#include <cmath>

#include <fmt/core.h>

#include "geometry/numbers/numbers.h"
#include "geometry/numbers/rounding.h"

namespace withy {
namespace {

/// "16.49 % (at most 17.23 %)"
std::string share_words(const BenchCount& count, int draws) {
  return fmt::format("{:.2f} % (at most {:.2f} %)", 100.0 * count.benches / draws, 100.0 * count.high);
}

/// What the elastic body's slides at the locks change of the two figures; empty where they change nothing.
std::string slides_line(const Standing& s) {
  const bool alike = s.reserve == s.reserve_without_slides && s.draws == s.draws_without_slides &&
                     s.fails.benches == s.fails_without_slides.benches;
  if (s.slides == SlidesOf::none || alike) return {};
  return figure_line(
      "", fmt::format("both count how far off its notches the elastic body is, with {} pulls; without that "
                      "{}, reserve {:.2f}",
                      s.slides == SlidesOf::ideal_pulls ? "the ideal" : "compensated",
                      share_words(s.fails_without_slides, s.draws_without_slides), s.reserve_without_slides));
}

}  // namespace

std::string figure_line(std::string_view about, const std::string& text) {
  return fmt::format("{:<16}{}\n", about, text);
}

LimitFigures figures_of(const Plan& plan) {
  LimitFigures figures;
  figures.pull_mm = plan.largest.pull_mm;
  figures.tension_N = plan.largest.tension_N;
  figures.lock_moment_Nmm = plan.largest.lock_moment_Nmm;
  figures.field_mT = plan.largest.field_mT;
  figures.switch_reserve = least_field_reserve(plan);
  for (const PlannedAction& action : plan.actions) {
    figures.switches += action.lock >= 0;
    if (!action.hunt || !action.hunt->made()) continue;
    ++figures.hunts;
    figures.hunts_clearance_mm =
        std::min(figures.hunts_clearance_mm.value_or(kInfinity), action.hunt->clearance_mm);
  }
  return figures;
}

std::string limits_table(const Design& design, const LimitFigures& figures) {
  std::string out;
  if (const auto& tendons = design.tendons()) {
    if (figures.pull_mm)
      out += figure_line("pull", fmt::format("{:.3f} of {} mm", *figures.pull_mm, tendons->stroke_max_mm));
    if (figures.tension_N)
      out +=
          figure_line("tension", fmt::format("{:.3f} of {} N", *figures.tension_N, tendons->tension_max_N));
  }
  if (design.lock_count() > 0 && figures.lock_moment_Nmm)
    out += figure_line("lock load", fmt::format("{:.3f} of {} N mm", *figures.lock_moment_Nmm,
                                                design.lock().hold_moment_Nmm));
  if (design.field() && figures.field_mT)
    out += figure_line("field",
                       fmt::format("{:.3f} of {} mT", *figures.field_mT, design.field()->strength_max_mT));
  if (design.field() && figures.switches > 0 && figures.switch_reserve &&
      std::isfinite(*figures.switch_reserve))
    out += figure_line("switch reserve", fmt::format("{:.3f} of the torques, {:g} wanted",
                                                     decimals_down(*figures.switch_reserve, 3),
                                                     design.field()->reserve_wanted));
  std::string switches = fmt::format("{}", figures.switches);
  if (figures.hunts > 0) switches += fmt::format(", {} of them after a sweep", figures.hunts);
  if (figures.hunts_clearance_mm)
    switches += std::isfinite(*figures.hunts_clearance_mm)
                    ? fmt::format("; sweeps keep at least {:.2f} mm from the wall",
                                  decimals_down(*figures.hunts_clearance_mm, 2))
                    : std::string("; in front of the entry");
  return out + figure_line("switches", switches);
}

std::string standing_lines(const Plan& plan) {
  if (!plan.standing) return {};
  const Standing& s = *plan.standing;
  std::string out = figure_line("chance to fail", share_words(s.fails, s.draws));
  if (s.fails.benches > 0)
    out += figure_line(
        "",
        fmt::format("of {} benches {} touch the wall, {} miss the target, {} do not engage as "
                    "planned, {} break a limit",
                    s.draws, s.touches.benches, s.misses.benches, s.disengaged.benches, s.overloads.benches));
  out += figure_line("reserve",
                     fmt::format("{:.2f} times the usual errors; beyond, {}", s.reserve, s.limited_by));
  return out + slides_line(s);
}

}  // namespace withy
