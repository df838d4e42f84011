// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/elastic/replay_elastic.h"

#include <algorithm>
#include <cmath>

#include <fmt/core.h>

#include "geometry/numbers/numbers.h"
#include "planner/elastic/elastic_demand.h"
#include "planner/script/replay_checks.h"

namespace withy {
namespace {

class ScriptPlayer {
 public:
  ScriptPlayer(const Script& script, const Scene& scene, const Design& design,
               const ChannelDistance& distance, const Effort& effort)
      : script_(script),
        scene_(scene),
        design_(design),
        distance_(distance),
        effort_(effort),
        segment_(design) {}

  ElasticReplay run() {
    if (!keeps(check_start(), script_.waypoints.front())) return std::move(out_);
    const auto start = segment_.start();
    if (!start) return failed(1, "the elastic body has no equilibrium at the start", "look at [elastic]");
    at_ = *start;
    const Waypoint* before = &script_.waypoints.front();
    for (const Waypoint& row : script_.waypoints) {
      swept_lock_ = row.action == kHuntAction ? lock_after(row) : -1;
      const LockSet held = at_.engaged;
      if (!keeps(check_row(*before, row), row) || !move_to(row) || !switch_locks(row)) return std::move(out_);
      swept_ = swept_lock_ >= 0 || (swept_ && row.engaged == held);
      judge(row);
      if (out_.fault) return std::move(out_);
      before = &row;
    }
    if (keeps(check_end(), *before)) judge_target();
    return std::move(out_);
  }

 private:
  ElasticReplay failed(int line, std::string problem, std::string remedy) {
    out_.fault = ElasticReplayFault{line, std::move(problem), std::move(remedy)};
    return std::move(out_);
  }

  bool keeps(const std::optional<ReplayFinding>& finding, const Waypoint& row) {
    if (finding) out_.fault = ElasticReplayFault{std::max(row.line, 1), finding->problem, finding->remedy};
    return !finding;
  }

  std::optional<ReplayFinding> check_start() const {
    if (auto finding = check_axes(design_, script_)) return finding;
    if (at_zero(script_.waypoints.front())) return std::nullopt;
    return ReplayFinding{ReplayCause::start,
                         "the script does not start with every axis at zero and every lock released",
                         "start it so"};
  }

  std::optional<ReplayFinding> check_row(const Waypoint& before, const Waypoint& row) const {
    if (auto finding = check_insertion(design_, row.insertion_mm, kAtZero_mm)) return finding;
    const bool moves = row.insertion_mm != before.insertion_mm || row.pull_mm != before.pull_mm;
    if (moves && swept_lock_ < 0)
      if (auto finding = check_field_off(before, row)) return finding;
    return row.engaged == before.engaged ? std::nullopt : check_one_switch(row.engaged ^ before.engaged);
  }

  std::optional<ReplayFinding> check_end() const {
    if (at_zero(script_.waypoints.back())) return std::nullopt;
    return ReplayFinding{ReplayCause::way_back, "the script ends here, short of the start",
                         "bring every axis back to zero and release every lock"};
  }

  bool take(const tl::expected<ElasticState, ElasticFault>& next, const Waypoint& row) {
    if (next) {
      at_ = *next;
      return true;
    }
    out_.fault = ElasticReplayFault{row.line, "the elastic body finds no equilibrium on the way to this row",
                                    "take smaller bends"};
    return false;
  }

  bool move_to(const Waypoint& row) {
    const Eigen::VectorXd goal =
        Eigen::Map<const Eigen::VectorXd>(row.pull_mm.data(), static_cast<Eigen::Index>(row.pull_mm.size()));
    const Eigen::VectorXd from = at_.pull_mm;
    const double from_mm = at_.insertion_mm;
    const double by_turn = kLookTurn_rad * design_.tendons()->radius_mm;
    const double ways = std::max(std::abs(row.insertion_mm - from_mm) / kLookStep_mm,
                                 (goal - from).cwiseAbs().maxCoeff() / by_turn);
    const int steps = static_cast<int>(std::ceil(ways));
    for (int i = 1; i <= steps; ++i) {
      if (effort_.cut_short()) {
        out_.cut_short_at_line = row.line;
        return false;
      }
      const double t = static_cast<double>(i) / steps;
      if (!take(segment_.step(at_, from_mm + t * (row.insertion_mm - from_mm), from + t * (goal - from)),
                row))
        return false;
      look();
      if (swept_lock_ >= 0 && !field_switches(swept_lock_, row)) return false;
    }
    out_.steps += steps;
    return true;
  }

  /// The lock that a sweep's rows lead to; -1 where none engages after them.
  int lock_after(const Waypoint& row) const {
    for (const Waypoint* next = &row; next <= &script_.waypoints.back(); ++next)
      for (int lock = 0; lock < design_.lock_count(); ++lock)
        if (next->engaged.test(static_cast<std::size_t>(lock)) !=
            row.engaged.test(static_cast<std::size_t>(lock)))
          return lock;
    return -1;
  }

  /// Do the row's currents switch the lock of the body as it stands, with a reserve of 1?
  bool field_switches(int lock, const Waypoint& row) {
    if (!design_.field()) return true;
    std::vector<double> stations;
    for (int i = 0; i < design_.lock_count(); ++i) stations.push_back(design_.station_mm(i));
    const std::vector<Eigen::Isometry3d> at_E = segment_.poses_E(at_, stations);
    LockPoses poses;
    for (std::size_t i = 0; i < at_E.size(); ++i) {
      poses.R_E[i] = at_E[i].linear();
      poses.p_E[i] = at_E[i].translation();
    }
    return keeps(check_field(design_, poses, at_.engaged, lock, row), row);
  }

  /// Is the body near enough to its notches for the latch to drop in?
  bool notch_found(int lock, const Waypoint& row) {
    const LatchHardware& latch = *design_.latch();
    const double reach = latch.engage_window_mm + (swept_ ? latch.hunt_mm : 0.0);
    if (latch.notch_pitch_mm <= 0.0 || slide_error_mm_ <= reach) return true;
    out_.fault = ElasticReplayFault{
        row.line,
        fmt::format("the backbones at lock {} are {:.3f} mm off their notches, window and hunt reach {:.3f}",
                    lock + 1, slide_error_mm_, reach),
        script_.compensated
            ? "plan with a hunt that reaches farther"
            : "make the script with compensated pulls, or, where they do not hold, plan with a hunt that "
              "reaches farther"};
    return false;
  }

  bool switch_locks(const Waypoint& row) {
    for (int lock = 0; lock < design_.lock_count(); ++lock) {
      const std::size_t i = static_cast<std::size_t>(lock);
      if (row.engaged.test(i) == at_.engaged.test(i)) continue;
      const ElasticState was = at_;
      const ElasticReading before = segment_.read(at_);
      if (row.engaged.test(i)) note_slides(before.own_slide_mm[i]);
      if (row.engaged.test(i) && !notch_found(lock, row)) return false;
      if (!field_switches(lock, row)) return false;
      if (!take(row.engaged.test(i) ? segment_.engage(at_, lock) : segment_.release(at_, lock), row))
        return false;
      look();
      for (const ElasticState& body : bodies_between(segment_, was, at_, kLookStep_mm))
        out_.clearance_mm = std::min(out_.clearance_mm, clearance_of(segment_, body, distance_));
      if (!row.engaged.test(i))
        out_.jump_max_mm = std::max(
            out_.jump_max_mm, (segment_.read(at_).tip_E.translation() - before.tip_E.translation()).norm());
    }
    return true;
  }

  void note_slides(const Eigen::VectorXd& slide_mm) {
    const double pitch = design_.latch()->notch_pitch_mm;
    if (pitch <= 0.0) return;
    slide_error_mm_ = 0.0;
    for (const double slide : slide_mm)
      slide_error_mm_ = std::max(slide_error_mm_, std::abs(slide - pitch * std::round(slide / pitch)));
    out_.slide_error_max_mm = std::max(out_.slide_error_max_mm, slide_error_mm_);
  }

  void look() {
    out_.clearance_mm = std::min(out_.clearance_mm, clearance_of(segment_, at_, distance_));
    out_.most.take(at_, segment_.read(at_));
  }

  /// What a row asks too much of, and whether the tip is at the target.
  void judge(const Waypoint& row) {
    const auto refuse = [&](std::string problem, std::string remedy) {
      out_.fault = ElasticReplayFault{std::max(row.line, 1), std::move(problem), std::move(remedy)};
    };
    if (out_.clearance_mm < scene_.required_clearance_mm)
      return refuse(fmt::format("the elastic body's clearance is {:.3f} mm on the way to this row, {} mm are "
                                "required",
                                out_.clearance_mm, scene_.required_clearance_mm),
                    "plan with more clearance");
    if (auto limit = broken_limit(design_, out_.most))
      return refuse(std::move(*limit), "plan with smaller bends");
    const Eigen::Isometry3d tip = segment_.read(at_).tip_E;
    const auto direction = scene_.target_direction_E();
    if (direction && tip.linear().col(2).dot(*direction) < std::cos(scene_.target.direction_tolerance_rad))
      return;
    const double error = (tip.translation() - scene_.target_point_E()).norm();
    if (error >= out_.tip_error_mm) return;
    out_.tip_error_mm = error;
    out_.tip_line = row.line;
  }

  void judge_target() {
    if (out_.tip_error_mm <= scene_.target.tolerance_mm) return;
    const Waypoint& last = script_.waypoints.back();
    out_.fault = ElasticReplayFault{
        out_.tip_line > 1 ? out_.tip_line : last.line,
        std::isfinite(out_.tip_error_mm)
            ? fmt::format(
                  "the elastic body's tip comes no nearer to the target than {:.3f} mm, the tolerance is "
                  "{} mm",
                  out_.tip_error_mm, scene_.target.tolerance_mm)
            : std::string("the elastic body's tip never has the target's direction"),
        script_.compensated
            ? "the script has compensated pulls already: plan for this scene anew (withy plan), or with a "
              "wider tolerance"
            : "make the script with compensated pulls (withy script)"};
  }

  const Script& script_;
  const Scene& scene_;
  const Design& design_;
  const ChannelDistance& distance_;
  const Effort& effort_;
  ElasticSegment segment_;
  ElasticState at_;
  double slide_error_mm_ = 0.0;  // of the lock that engages
  int swept_lock_ = -1;          // that the row's sweep is for
  bool swept_ = false;           // was there a sweep since the last switch?
  ElasticReplay out_;
};

}  // namespace

ElasticReplay replay_elastic(const Script& script, const Scene& scene, const Design& design,
                             const ChannelDistance& distance, const Effort& effort) {
  return ScriptPlayer(script, scene, design, distance, effort).run();
}

}  // namespace withy
