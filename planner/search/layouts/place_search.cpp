// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/layouts/place_search.h"

#include <algorithm>
#include <cmath>
#include <tuple>
#include <utility>

#include <fmt/core.h>
#include <nlopt.hpp>

#include "planner/stand/improve.h"

namespace withy {

namespace {

// Every so many steps of the grid make its coarse part.
constexpr int kCoarse = 2;
// Layouts whose every station is at most so many steps of the grid from a good one's stand beside it: what is
// left out between the points of the coarse part.
constexpr double kBeside = 0.5 * kCoarse;
// Clearance (mm) by which a design is first tried to be raised. Doubled until that fails, then halved, down
// to kClearanceStep_mm on the grid, to kFineStep_mm between its points and to kLastStep_mm for the best.
constexpr double kFirstStep_mm = 0.4;
constexpr double kFineStep_mm = 0.0125;
constexpr double kLastStep_mm = 0.003;

double distance(const Stations& a, const Stations& b) {
  double sum = 0.0;
  for (std::size_t i = 0; i < a.size(); ++i) sum += std::abs(a[i] - b[i]);
  return sum;
}

double widest_difference(const Stations& a, const Stations& b) {
  double most = 0.0;
  for (std::size_t i = 0; i < a.size(); ++i) most = std::max(most, std::abs(a[i] - b[i]));
  return most;
}

/// A combination of stations on the grid, and what is known of it.
struct GridPoint {
  Stations stations;
  std::int64_t tried = 0;  ///< the most work that a question about it was given
  bool reached = false;
  bool settled = false;  ///< searched to the end, and nothing wider than the best found
};

class PlaceSearch {
 public:
  PlaceSearch(const SearchProblem& base, const PlaceSettings& settings)
      : settings_(settings),
        trials_(base, grid_clockings(base.design.parts(), settings.locks, settings.clock_step_rad),
                settings.effort, settings.certified) {}

  PlaceResult run() {
    const DesignParts& parts = trials_.base().design.parts();
    for (Stations& stations :
         grid_stations(parts, settings_.locks, settings_.station_step_mm, settings_.effort))
      grid_.push_back({std::move(stations)});
    result_.stations = grid_.size();
    result_.stopped_at_place.assign(trials_.base().vias.size(), 0);
    result_.clockings = clocking_count(parts, settings_.locks, settings_.clock_step_rad);
    const auto any = [](const GridPoint&) { return true; };
    const auto coarse = [this](const GridPoint& point) { return is_coarse(point.stations); };
    const auto beside = [this](const GridPoint& point) { return is_beside_best(point.stations); };
    try_all("a first check of every layout", settings_.effort.work() / shares::kPlaceGlanceShare, any);
    try_all("a coarse part of the grid", settings_.effort.work(), coarse);
    try_all("beside the best", settings_.effort.work(), beside);
    try_all("all other layouts", work_elsewhere(), any);
    try_all("beside the best", settings_.effort.work(), beside);
    for (const GridPoint& point : grid_) {
      result_.reached += point.reached;
      result_.undecided += !point.reached && !point.settled;
    }
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

  /// What each layout that had but a look may take.
  std::int64_t work_elsewhere() const {
    const std::int64_t look = settings_.effort.work() / shares::kPlaceGlanceShare;
    const auto left = std::count_if(grid_.begin(), grid_.end(), [&](const GridPoint& point) {
      return !point.settled && point.tried <= look;
    });
    return std::clamp(trials_.work() / shares::kPlaceElsewhereShare / std::max<std::int64_t>(1, left),
                      look + 1, settings_.effort.work());
  }

  bool is_coarse(const Stations& stations) const {
    return std::all_of(stations.begin(), stations.end(),
                       [&](double s) { return std::lround(s / settings_.station_step_mm) % kCoarse == 0; });
  }

  bool is_beside_best(const Stations& stations) const {
    const double most = (kBeside + 1e-6) * settings_.station_step_mm;
    return std::any_of(result_.best.begin(), result_.best.end(), [&](const PlacedDesign& design) {
      return widest_difference(stations, design.layout.station_mm) <= most;
    });
  }

  bool is_kept(const Stations& stations) const {
    return std::any_of(result_.best.begin(), result_.best.end(),
                       [&](const PlacedDesign& d) { return d.layout.station_mm == stations; });
  }

  /// Asks about every point that is open, that `picks` names, and that had less than so much work; nearest to
  /// the best first. What is best changes on the way, and with it what `picks` names.
  template <class Picks>
  void try_all(const char* where, std::int64_t work, const Picks& picks) {
    for (std::size_t done = 0; !settings_.effort.cut_short(); ++done) {
      GridPoint* next = nullptr;
      double nearest = 0.0;
      std::size_t left = 0;
      for (GridPoint& point : grid_) {
        if (point.settled || point.tried >= work || !picks(point) || is_kept(point.stations)) continue;
        ++left;
        const double far =
            result_.best.empty() ? 0.0 : distance(point.stations, result_.best.front().layout.station_mm);
        if (next != nullptr && far >= nearest) continue;
        next = &point;
        nearest = far;
      }
      if (next == nullptr) return;
      tell(where, static_cast<double>(done) / static_cast<double>(done + left));
      ask_about(*next, work);
    }
  }

  void tell(const std::string& where, double done) const {
    const auto known = std::count_if(grid_.begin(), grid_.end(),
                                     [](const GridPoint& point) { return point.settled || point.reached; });
    const std::string best = result_.best.empty() ? std::string("none reaches yet")
                                                  : fmt::format("best clearance {:.2f} mm",
                                                                result_.best.front().plan.clearance_mm);
    settings_.progress(
        where, fmt::format("{} of {} layouts reach or are settled, {}", known, grid_.size(), best), done);
  }

  /// That a layout reaches with little work says little of its clearance, so it stays open for more.
  void ask_about(GridPoint& point, std::int64_t work) {
    const double bar = bar_mm();
    point.tried = work;
    Trial trial = trials_.ask(point.stations, bar, work);
    if (trial.verdict == Verdict::reached) {
      point.reached = true;
      keep(raised(std::move(*trial.design), kFirstStep_mm, kClearanceStep_mm));
    }
    if (trial.verdict != Verdict::unreachable) return;
    point.settled = true;
    if (point.reached) return;
    if (bar > trials_.base().required_clearance_mm) {
      ++result_.no_better_found;
      return;
    }
    ++result_.unreachable;
    for (const std::size_t place : trial.places) ++result_.stopped_at_place[place];
  }

  /// What one question about a design may take.
  using Patience = std::function<std::int64_t(const PlacedDesign&)>;

  std::int64_t patience(const PlacedDesign& design) const {
    return std::clamp(shares::kPlacePatience * design.work,
                      settings_.effort.work() / shares::kPlaceGlanceShare, settings_.effort.work());
  }

  /// The same stations with as much clearance as searches find.
  PlacedDesign raised(PlacedDesign design, double step_mm, double least_step_mm) {
    return raised(std::move(design), step_mm, least_step_mm,
                  [this](const PlacedDesign& so_far) { return patience(so_far); });
  }

  PlacedDesign raised(PlacedDesign design, double step_mm, double least_step_mm, const Patience& most_work) {
    bool failed = false;
    while (step_mm >= least_step_mm && std::isfinite(design.plan.clearance_mm) &&
           !settings_.effort.cut_short()) {
      Trial trial =
          trials_.ask(design.layout.station_mm, design.plan.clearance_mm + step_mm, most_work(design));
      if (trial.verdict == Verdict::reached)
        design = std::move(*trial.design);
      else
        failed = true;
      step_mm *= failed ? 0.5 : 2.0;
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
    if (is_kept(stations)) return floor;  // has all that was found
    if (!design_with(trials_.base().design.parts(), stations, Clockings(stations.size(), 0.0))) return floor;
    const PlacedDesign& best = result_.best.front();
    Trial trial = trials_.ask(stations, best.plan.clearance_mm + kFineStep_mm, patience(best));
    if (trial.verdict != Verdict::reached) return floor;
    PlacedDesign design = raised(std::move(*trial.design), kClearanceStep_mm, kFineStep_mm);
    const double clearance = design.plan.clearance_mm;
    keep(std::move(design));
    return clearance;
  }

  /// About each of the best, since what notches allow jumps from place to place.
  void polish() {
    std::vector<PlacedDesign> kept = std::exchange(result_.best, {});
    for (PlacedDesign& design : kept)
      keep(raised_by_all_means(std::move(design), kFirstStep_mm, kFineStep_mm));
    if (settings_.polish_trials <= 0 || !std::isfinite(result_.best.front().plan.clearance_mm)) return;
    std::vector<Stations> centres;
    for (const PlacedDesign& design : result_.best) centres.push_back(design.layout.station_mm);
    for (std::size_t i = 0; i < centres.size() && !settings_.effort.cut_short(); ++i)
      polish_about(centres[i], static_cast<double>(i) / static_cast<double>(centres.size()));
    PlacedDesign& best = result_.best.front();
    const bool off_the_grid = best.layout.station_mm != centres.front();
    best = raised_by_all_means(std::move(best), off_the_grid ? kFirstStep_mm : kFineStep_mm, kLastStep_mm);
  }

  /// The best are worth more work than a point of the grid.
  PlacedDesign raised_by_all_means(PlacedDesign design, double step_mm, double least_step_mm) {
    return raised(std::move(design), step_mm, least_step_mm,
                  [this](const PlacedDesign&) { return shares::kPlacePolish * settings_.effort.work(); });
  }

  void polish_about(const Stations& centre, double done) {
    nlopt::opt optimiser(nlopt::GN_DIRECT_L, static_cast<unsigned>(centre.size()));
    Stations low = centre, high = centre;
    for (std::size_t i = 0; i < centre.size(); ++i) {
      low[i] -= settings_.station_step_mm;
      high[i] += settings_.station_step_mm;
    }
    optimiser.set_lower_bounds(low);
    optimiser.set_upper_bounds(high);
    optimiser.set_maxeval(settings_.polish_trials);
    polished_share_ = done;
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
    if (settings_.effort.cut_short()) throw nlopt::forced_stop();
    tell("between the grid's points", polished_share_);
    return try_between(x);
  }

  const PlaceSettings& settings_;
  LayoutTrials trials_;
  PlaceResult result_;
  std::vector<GridPoint> grid_;
  double polished_share_ = 0.0;
};

}  // namespace

bool better_design(const PlacedDesign& a, const PlacedDesign& b) {
  const auto rank = [](const PlacedDesign& d) {
    // Reserves are told apart by hundredths: what is wanted is had to rounding.
    const double reserve = std::floor(std::min(d.field_reserve, 1e3) * 100.0 + 0.1);
    return std::tuple(-std::floor(d.plan.clearance_mm / kClearanceStep_mm), d.switches, -reserve, d.field_mT,
                      -d.plan.clearance_mm);
  };
  return rank(a) < rank(b);
}

namespace {

/// The plan of a design that stands most, with what it stands, by the usual search about its route.
void make_to_stand(const SearchProblem& base, const PlaceSettings& settings, PlacedDesign& design) {
  SearchProblem problem = base;
  auto made = design_with(base.design.parts(), design.layout.station_mm, design.layout.clock_rad);
  if (!made) return;
  problem.design = std::move(*made);
  const Hardware hardware(problem.design);
  const StepJudge judge(problem, hardware);
  Stander stander(problem, *settings.errors);
  stander.end_with(settings.effort);
  design.plan = made_to_stand(judge, stander, std::move(design.plan), settings.effort);
  design.plan.standing = stander.judge(design.plan);
  design.standing = design.plan.standing;
}

}  // namespace

PlaceResult search_place(const SearchProblem& base, const PlaceSettings& settings) {
  PlaceResult result = PlaceSearch(base, settings).run();
  if (!settings.errors) return result;
  for (PlacedDesign& design : result.best) make_to_stand(base, settings, design);
  std::stable_sort(result.best.begin(), result.best.end(), [](const PlacedDesign& a, const PlacedDesign& b) {
    return a.standing && b.standing && stands_more(*a.standing, *b.standing);
  });
  return result;
}

}  // namespace withy
