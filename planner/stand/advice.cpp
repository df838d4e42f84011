// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/stand/advice.h"

#include <algorithm>
#include <array>
#include <functional>
#include <optional>

#include <fmt/format.h>

#include "planner/effort/shares.h"
#include "planner/search/route/make_plan.h"
#include "planner/stand/improve.h"

namespace withy {
namespace {

// To what part of its size an error is lowered, the largest first.
constexpr std::array kLowered = {0.75, 0.5, 0.25, 0.1, 0.0};
// To what part of their sizes errors are lowered together.
constexpr double kLoweredTogether = 0.25;
// How much farther from the middle tendons are tried.
constexpr std::array kWiderTendons = {1.1, 1.25, 1.5, 2.0};

bool under(const BenchCount& fails) {
  return fails.high < kChanceWanted;
}

class Adviser {
 public:
  Adviser(const SearchProblem& problem, const Plan& plan, const ErrorSizes& sizes, const Effort& effort)
      : problem_(problem),
        plan_(plan),
        sizes_(sizes),
        effort_(effort),
        stander_(problem, sizes, shares::kAdviceDraws) {
    stander_.end_with(effort);
  }

  AdviceList run() {
    AdviceList list;
    list.needed = !under(fails_with(sizes_));
    if (!list.needed) return list;
    for (std::size_t kind = 0; kind < kErrorKinds; ++kind)
      if (auto advice = lowered_alone(kind)) list.errors.push_back(std::move(*advice));
    list.errors_enough = !list.errors.empty();
    if (list.errors.empty())
      if (Advice together = lowered_together(); !together.changes.empty()) {
        list.errors_enough = under(together.fails);
        list.errors.push_back(std::move(together));
      }
    list.designs = design_changes();
    list.cut_short = effort_.cut_short();
    return list;
  }

 private:
  BenchCount fails_with(const ErrorSizes& sizes) {
    stander_.take(sizes);
    return stander_.chance(plan_, shares::kAdviceDraws).fails;
  }

  AdvisedChange lowering(std::size_t kind, double to) const {
    const ErrorName& name = error_names()[kind];
    return {std::string(name.words), std::string(name.key), sizes_.most[kind] / name.per_file_unit,
            to / name.per_file_unit};
  }

  std::optional<Advice> lowered_alone(std::size_t kind) {
    if (sizes_.most[kind] <= 0.0 || effort_.cut_short()) return std::nullopt;
    ErrorSizes sizes = sizes_;
    sizes.most[kind] = 0.0;
    if (!under(fails_with(sizes))) return std::nullopt;
    for (const double part : kLowered) {
      if (effort_.cut_short()) return std::nullopt;
      sizes.most[kind] = part * sizes_.most[kind];
      if (const BenchCount fails = fails_with(sizes); under(fails))
        return Advice{{lowering(kind, sizes.most[kind])}, fails};
    }
    return std::nullopt;
  }

  Advice lowered_together() {
    Advice advice;
    ErrorSizes sizes = sizes_;
    advice.fails = fails_with(sizes);
    for (int step = 0; step < shares::kAdviceTogether && !under(advice.fails) && !effort_.cut_short();
         ++step) {
      std::optional<std::size_t> best;
      BenchCount least = advice.fails;
      for (std::size_t kind = 0; kind < kErrorKinds; ++kind) {
        if (sizes.most[kind] <= 0.0 || sizes.most[kind] < sizes_.most[kind]) continue;
        ErrorSizes lower = sizes;
        lower.most[kind] *= kLoweredTogether;
        const BenchCount fails = fails_with(lower);
        if (effort_.cut_short()) return advice;  // of fewer benches than the others
        if (fails.benches >= least.benches) continue;
        least = fails;
        best = kind;
      }
      if (!best) break;
      sizes.most[*best] *= kLoweredTogether;
      advice.changes.push_back(lowering(*best, sizes.most[*best]));
      advice.fails = least;
    }
    return advice;
  }

  /// The same route's plan with a changed design, judged; nothing where there is none.
  std::optional<BenchCount> fails_with(DesignParts parts) const {
    if (effort_.cut_short()) return std::nullopt;
    auto design = Design::make(std::move(parts));
    if (!design) return std::nullopt;
    SearchProblem changed = problem_;
    changed.design = std::move(*design);
    const Hardware hardware(changed.design);
    const StepJudge judge(changed, hardware);
    auto plan = make_plan(judge, way_in(plan_));
    if (!plan) return std::nullopt;
    Stander stander(changed, sizes_, shares::kAdviceDraws);
    stander.end_with(effort_);
    const Plan best = made_to_stand(judge, stander, std::move(*plan), effort_);
    return stander.chance(best, shares::kAdviceDraws).fails;
  }

  /// The first of `values` that does, put into the parts by `set`.
  void try_values(const AdvisedChange& change, const std::vector<double>& values,
                  const std::function<void(DesignParts&, double)>& set, std::vector<Advice>& out) const {
    for (const double value : values) {
      DesignParts parts = problem_.design.parts();
      set(parts, value);
      const auto fails = fails_with(std::move(parts));
      if (!fails || !under(*fails)) continue;
      out.push_back({{{change.what, change.key, change.from, value}}, *fails});
      return;
    }
  }

  std::vector<Advice> design_changes() const {
    std::vector<Advice> out;
    const DesignParts& parts = problem_.design.parts();
    if (parts.tendons) {
      const double r = parts.tendons->radius_mm;
      try_values(
          {"tendons farther from the middle", "tendons.radius_mm", r, 0.0}, wider_tendons(parts),
          [](DesignParts& p, double x) { p.tendons->radius_mm = x; }, out);
      const double most = parts.tendons->tension_max_N;
      try_values(
          {"tendons that bear more", "tendons.tension_max_N", most, 0.0},
          {1.1 * most, 1.25 * most, 1.5 * most},
          [](DesignParts& p, double x) { p.tendons->tension_max_N = x; }, out);
    }
    if (parts.latch && parts.latch->notch_pitch_mm > 0.0 && problem_.design.lock_count() > 0) {
      const double pitch = parts.latch->notch_pitch_mm;
      try_values(
          {"a hunt of another radius", "latch.hunt_mm", parts.latch->hunt_mm, 0.0},
          {0.05 * pitch, 0.1 * pitch, 0.2 * pitch, 0.3 * pitch},
          [](DesignParts& p, double x) { p.latch->hunt_mm = x; }, out);
    }
    if (parts.field && problem_.design.lock_count() > 0) {
      const double most = parts.field->strength_max_mT;
      try_values(
          {"a stronger field", "field.strength_max_mT", most, 0.0}, {1.5 * most, 2.0 * most, 3.0 * most},
          [](DesignParts& p, double x) { p.field->strength_max_mT = x; }, out);
    }
    return out;
  }

  const SearchProblem& problem_;
  const Plan& plan_;
  const ErrorSizes& sizes_;
  const Effort& effort_;
  Stander stander_;  // of the design as it is
};

std::string line_of(const char* about, const Advice& advice) {
  std::vector<std::string> parts;
  for (const AdvisedChange& change : advice.changes)
    parts.push_back(
        fmt::format("{} ({}) from {:.4g} to {:.4g}", change.what, change.key, change.from, change.to));
  return fmt::format("{}: {}: at most {:.2f} % fail\n", about, fmt::join(parts, ", and "),
                     100.0 * advice.fails.high);
}

}  // namespace

std::vector<double> wider_tendons(const DesignParts& parts) {
  std::vector<double> out;
  for (const double factor : kWiderTendons)
    if (const double r = factor * parts.tendons->radius_mm; r <= parts.segment.radius_mm) out.push_back(r);
  return out;
}

AdviceList find_advice(const SearchProblem& problem, const Plan& plan, const ErrorSizes& sizes,
                       const Effort& effort) {
  return Adviser(problem, plan, sizes, effort).run();
}

std::string advice_text(const AdviceList& list) {
  if (!list.needed) return "advice: none needed, fewer than 1 % of benches fail\n";
  std::string out;
  for (const Advice& advice : list.errors)
    out += line_of(
        list.errors_enough ? "lower this error" : "lowering these errors helps most, and is not enough",
        advice);
  const bool all_tried = !list.cut_short;
  if (list.errors.empty() && all_tried) out += "no error, lowered, brings the chance to fail down\n";
  for (const Advice& advice : list.designs) out += line_of("change the design", advice);
  if (list.designs.empty() && all_tried)
    out += "no single change of the design that was tried brings it under 1 %\n";
  if (!all_tried)
    out +=
        "the look for what would help was cut short: what is not named here may help all the same; "
        "--budget gives it longer\n";
  return out;
}

}  // namespace withy
