// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/place_search.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <set>
#include <tuple>
#include <utility>

#include <fmt/format.h>
#include <nlopt.hpp>

namespace withy {

namespace {

// Shares of the work that a question may take in one round after the other.
constexpr std::int64_t kRoundShares[] = {16, 1};
// Every so many steps of the grid make its coarse part.
constexpr int kCoarse = 4;
// Clearance (mm) by which a design is first tried to be raised; halved when that fails, down to
// kClearanceStep_mm on the grid and to kFineStep_mm for the best.
constexpr double kFirstStep_mm = 0.4;
constexpr double kFineStep_mm = 0.0125;

double distance(const Stations& a, const Stations& b) {
  double sum = 0.0;
  for (std::size_t i = 0; i < a.size(); ++i) sum += std::abs(a[i] - b[i]);
  return sum;
}

class PlaceSearch {
 public:
  PlaceSearch(const SearchProblem& base, const PlaceSettings& settings)
      : settings_(settings),
        trials_(base, grid_clockings(base.design.parts(), settings.locks, settings.clock_step_rad),
                settings.stop) {}

  PlaceResult run() {
    const DesignParts& parts = trials_.base().design.parts();
    std::vector<Stations> open = grid_stations(parts, settings_.locks, settings_.station_step_mm);
    result_.stations = open.size();
    result_.clockings = clocking_count(parts, settings_.locks, settings_.clock_step_rad);
    for (const std::int64_t share : kRoundShares) {
      raise_kept(settings_.most_work / share);
      open = try_all(std::move(open), settings_.most_work / share);
    }
    result_.reached = reached_.size();
    for (const Stations& stations : open) result_.undecided += reached_.count(stations) == 0;
    if (!result_.best.empty()) polish();
    result_.work = trials_.work();
    return std::move(result_);
  }

 private:
  /// What a layout must reach with to be worth having.
  double bar_mm() const {
    const double required = trials_.base().required_clearance_mm;
    if (result_.best.size() < settings_.keep) return required;
    return std::max(required, result_.best.back().plan.clearance_mm + kClearanceStep_mm);
  }

  bool coarse(const Stations& stations) const {
    return std::all_of(stations.begin(), stations.end(),
                       [&](double s) { return std::lround(s / settings_.station_step_mm) % kCoarse == 0; });
  }

  /// The one to try next: of the coarse part while there is any, then nearest to the best so far.
  std::size_t next(const std::vector<Stations>& open) const {
    const auto rank = [&](const Stations& s) {
      const double far = result_.best.empty() ? 0.0 : distance(s, result_.best.front().layout.station_mm);
      return std::tuple(!coarse(s), far);
    };
    return static_cast<std::size_t>(
        std::min_element(open.begin(), open.end(),
                         [&](const Stations& a, const Stations& b) { return rank(a) < rank(b); }) -
        open.begin());
  }

  /// Tries each; those that more work may say more of come back.
  std::vector<Stations> try_all(std::vector<Stations> open, std::int64_t most_work) {
    std::vector<Stations> again;
    while (!open.empty() && !settings_.stop()) {
      const std::size_t i = next(open);
      const Stations stations = std::move(open[i]);
      open.erase(open.begin() + static_cast<std::ptrdiff_t>(i));
      if (!settle(stations, most_work)) again.push_back(stations);
      tell(open.size());
    }
    again.insert(again.end(), open.begin(), open.end());
    return again;
  }

  void tell(std::size_t left) {
    const std::string so_far = result_.best.empty() ? "none reaches yet"
                                                    : fmt::format("best clearance {:.2f} mm",
                                                                  result_.best.front().plan.clearance_mm);
    settings_.progress("trying layouts, " + so_far,
                       1.0 - static_cast<double>(left) / static_cast<double>(result_.stations));
  }

  /// True when nothing more is to be found out about these stations. That a layout reaches with little work
  /// says little of its clearance, so it is asked again when there is more.
  bool settle(const Stations& stations, std::int64_t most_work) {
    if (is_kept(stations)) return false;
    const double bar = bar_mm();
    Trial trial = trials_.ask(stations, bar, most_work);
    if (trial.verdict == Verdict::reached) {
      reached_.insert(stations);
      keep(raised(std::move(*trial.design), kFirstStep_mm, kClearanceStep_mm, most_work));
    }
    if (trial.verdict != Verdict::unreachable) return false;
    if (reached_.count(stations) == 0)
      ++(bar > trials_.base().required_clearance_mm ? result_.no_better : result_.unreachable);
    return true;
  }

  bool is_kept(const Stations& stations) const {
    return std::any_of(result_.best.begin(), result_.best.end(),
                       [&](const PlacedDesign& d) { return d.layout.station_mm == stations; });
  }

  /// Raises the best designs once more, now that there is more work.
  void raise_kept(std::int64_t most_work) {
    for (PlacedDesign& design : std::exchange(result_.best, {}))
      keep(raised(std::move(design), kClearanceStep_mm, kClearanceStep_mm, most_work));
  }

  /// The same stations with as much clearance as searches find.
  PlacedDesign raised(PlacedDesign design, double step_mm, double least_step_mm, std::int64_t most_work) {
    while (step_mm >= least_step_mm && std::isfinite(design.plan.clearance_mm) && !settings_.stop()) {
      Trial trial = trials_.ask(design.layout.station_mm, design.plan.clearance_mm + step_mm, most_work);
      if (trial.verdict == Verdict::reached)
        design = std::move(*trial.design);
      else
        step_mm *= 0.5;
    }
    return design;
  }

  void keep(PlacedDesign design) {
    const auto at = std::find_if(result_.best.begin(), result_.best.end(),
                                 [&](const PlacedDesign& other) { return better_design(design, other); });
    result_.best.insert(at, std::move(design));
    if (result_.best.size() > settings_.keep) result_.best.pop_back();
  }

  /// Clearance at stations off the grid if it is more than the best's; the required one, as a floor, where it
  /// is not.
  double try_between(const Stations& stations) {
    const double floor = trials_.base().required_clearance_mm;
    if (!design_with(trials_.base().design.parts(), stations, Clockings(stations.size(), 0.0))) return floor;
    const double bar = result_.best.front().plan.clearance_mm + kFineStep_mm;
    Trial trial = trials_.ask(stations, bar, settings_.most_work);
    if (trial.verdict != Verdict::reached) return floor;
    PlacedDesign design =
        raised(std::move(*trial.design), kClearanceStep_mm, kFineStep_mm, settings_.most_work);
    const double clearance = design.plan.clearance_mm;
    keep(std::move(design));
    return clearance;
  }

  void polish() {
    PlacedDesign& best = result_.best.front();
    best = raised(std::move(best), kClearanceStep_mm, kFineStep_mm, settings_.most_work);
    if (settings_.polish_trials <= 0 || !std::isfinite(best.plan.clearance_mm)) return;
    const Stations centre = best.layout.station_mm;
    nlopt::opt optimiser(nlopt::GN_DIRECT_L, static_cast<unsigned>(centre.size()));
    Stations low = centre, high = centre;
    for (std::size_t i = 0; i < centre.size(); ++i) {
      low[i] -= settings_.station_step_mm;
      high[i] += settings_.station_step_mm;
    }
    optimiser.set_lower_bounds(low);
    optimiser.set_upper_bounds(high);
    optimiser.set_maxeval(settings_.polish_trials);
    optimiser.set_max_objective([](const std::vector<double>& x, std::vector<double>&,
                                   void* self) { return static_cast<PlaceSearch*>(self)->polish_step(x); },
                                this);
    std::vector<double> x = centre;
    double value = 0.0;
    try {
      optimiser.optimize(x, value);
    } catch (const nlopt::forced_stop&) {
      // The time ran out; what was found so far has been kept.
    }
  }

  double polish_step(const std::vector<double>& x) {
    if (settings_.stop()) throw nlopt::forced_stop();
    settings_.progress(fmt::format("between the grid's points, best clearance {:.2f} mm",
                                   result_.best.front().plan.clearance_mm),
                       static_cast<double>(polished_++) / settings_.polish_trials);
    return try_between(x);
  }

  const PlaceSettings& settings_;
  LayoutTrials trials_;
  PlaceResult result_;
  std::set<Stations> reached_;
  int polished_ = 0;
};

}  // namespace

bool better_design(const PlacedDesign& a, const PlacedDesign& b) {
  const auto rank = [](const PlacedDesign& d) {
    return std::tuple(-std::floor(d.plan.clearance_mm / kClearanceStep_mm), d.switches, d.field_mT,
                      -d.plan.clearance_mm);
  };
  return rank(a) < rank(b);
}

PlaceResult search_place(const SearchProblem& base, const PlaceSettings& settings) {
  return PlaceSearch(base, settings).run();
}

}  // namespace withy
