// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/elastic/replay_elastic.h"

#include <algorithm>
#include <cmath>

#include <fmt/core.h>

#include "geometry/numbers/numbers.h"

namespace withy {
namespace {

class ScriptPlayer {
 public:
  ScriptPlayer(const Script& script, const Scene& scene, const Design& design,
               const ChannelDistance& distance)
      : script_(script), scene_(scene), design_(design), distance_(distance), segment_(design) {}

  ElasticReplay run() {
    const auto start = segment_.start();
    if (!start) return failed(1, "the elastic body has no equilibrium at the start", "look at [elastic]");
    at_ = *start;
    for (const Waypoint& row : script_.waypoints) {
      if (!move_to(row) || !switch_locks(row)) return std::move(out_);
      judge(row);
      if (out_.fault) return std::move(out_);
    }
    judge_target();
    return std::move(out_);
  }

 private:
  ElasticReplay failed(int line, std::string problem, std::string remedy) {
    out_.fault = ElasticReplayFault{line, std::move(problem), std::move(remedy)};
    return std::move(out_);
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
      const double t = static_cast<double>(i) / steps;
      if (!take(segment_.step(at_, from_mm + t * (row.insertion_mm - from_mm), from + t * (goal - from)),
                row))
        return false;
      look();
    }
    out_.steps += steps;
    return true;
  }

  bool switch_locks(const Waypoint& row) {
    for (int lock = 0; lock < design_.lock_count(); ++lock) {
      const std::size_t i = static_cast<std::size_t>(lock);
      if (row.engaged.test(i) == at_.engaged.test(i)) continue;
      const ElasticReading before = segment_.read(at_);
      if (row.engaged.test(i)) note_slides(before.own_slide_mm[i]);
      if (!take(row.engaged.test(i) ? segment_.engage(at_, lock) : segment_.release(at_, lock), row))
        return false;
      look();
      if (!row.engaged.test(i))
        out_.jump_max_mm = std::max(
            out_.jump_max_mm, (segment_.read(at_).tip_E.translation() - before.tip_E.translation()).norm());
    }
    return true;
  }

  void note_slides(const Eigen::VectorXd& slide_mm) {
    const double pitch = design_.latch()->notch_pitch_mm;
    if (pitch <= 0.0) return;
    for (const double slide : slide_mm)
      out_.slide_error_max_mm =
          std::max(out_.slide_error_max_mm, std::abs(slide - pitch * std::round(slide / pitch)));
  }

  void look() {
    clearance_ = clearance_of(segment_, at_, distance_);
    out_.clearance_mm = std::min(out_.clearance_mm, clearance_);
    const ElasticReading reading = segment_.read(at_);
    out_.tension_max_N = std::max(out_.tension_max_N, reading.base_N.maxCoeff());
    for (const double load : reading.lock_load_Nmm)
      out_.lock_load_max_Nmm = std::max(out_.lock_load_max_Nmm, load);
  }

  /// What a row asks too much of, and whether the tip is at the target.
  void judge(const Waypoint& row) {
    const TendonHardware& tendons = *design_.tendons();
    for (const double pull : row.pull_mm) out_.pull_max_mm = std::max(out_.pull_max_mm, std::abs(pull));
    const auto refuse = [&](std::string problem, std::string remedy) {
      out_.fault = ElasticReplayFault{row.line, std::move(problem), std::move(remedy)};
    };
    if (out_.clearance_mm < scene_.required_clearance_mm)
      return refuse(fmt::format("the elastic body's clearance is {:.3f} mm on the way to this row, {} mm are "
                                "required",
                                out_.clearance_mm, scene_.required_clearance_mm),
                    "plan with more clearance");
    if (out_.pull_max_mm > tendons.stroke_max_mm)
      return refuse(
          fmt::format("a tendon is drawn by {:.3f} of {} mm", out_.pull_max_mm, tendons.stroke_max_mm),
          "plan with smaller bends");
    if (out_.tension_max_N > tendons.tension_max_N)
      return refuse(
          fmt::format("a tendon pulls with {:.3f} of {} N", out_.tension_max_N, tendons.tension_max_N),
          "plan with smaller bends");
    if (design_.lock_count() > 0 && out_.lock_load_max_Nmm > design_.lock().hold_moment_Nmm)
      return refuse(fmt::format("a lock carries {:.3f} of {} N mm", out_.lock_load_max_Nmm,
                                design_.lock().hold_moment_Nmm),
                    "plan with bends that differ less");
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
        "make the script with compensated pulls (withy script --elastic)"};
  }

  const Script& script_;
  const Scene& scene_;
  const Design& design_;
  const ChannelDistance& distance_;
  ElasticSegment segment_;
  ElasticState at_;
  double clearance_ = kInfinity;
  ElasticReplay out_;
};

}  // namespace

ElasticReplay replay_elastic(const Script& script, const Scene& scene, const Design& design,
                             const ChannelDistance& distance) {
  return ScriptPlayer(script, scene, design, distance).run();
}

}  // namespace withy
