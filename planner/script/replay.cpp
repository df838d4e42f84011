// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/script/replay.h"

#include <algorithm>
#include <cassert>
#include <cmath>

#include <fmt/format.h>

#include "geometry/numbers/numbers.h"
#include "planner/plan/lock_hunt.h"
#include "planner/proof/lemmas/motion_bounds.h"
#include "planner/script/places_passed.h"
#include "planner/script/replay_checks.h"
#include "planner/script/replay_hunt.h"
#include "planner/script/tendon_inverse.h"
#include "planner/script/waypoints.h"
#include "planner/segment/latch.h"
#include "planner/segment/shape.h"

namespace withy {
namespace {

// How far a straight piece in (d, u) may be from what the axes make (mm). It is taken off the clearance, so
// it need only be small against what a script may lose anyhow.
constexpr double kPieceDeviation_mm = 0.2 * kScriptDeviation_mm;

// A piece whose samples show a deviation of e is taken to deviate by up to 2 e (waypoints.h says why).
constexpr double kUnseenDeviation = 2.0;

// Parting stops here: a piece then spans less than a millionth of the move.
constexpr int kDeepestReplayParting = 60;

// A lock that lets go may move the body by what scripts may be off anyhow.
constexpr double kSnap_mm = kScriptDeviation_mm;

// A tip that is meant to stand on its tolerance may be off by the rounding of pulls (kScriptStep), which a
// free region of a hundred times its tendons' radius makes a hundred times larger at the tip; ten times that.
constexpr double kTipRounding_mm = 1e3 * kScriptStep;
constexpr double kTipRounding_rad = 1e-5;
constexpr PlaceLeniency kTipRounding{kTipRounding_mm, kTipRounding_rad};

// Beyond this (mm) nobody asks how far the wall is, and the search for the exact figure would only cost time.
constexpr double kFarFromWall_mm = 1e3;

using Finding = std::optional<ReplayFinding>;

Eigen::VectorXd pulls_of(const Waypoint& row) {
  return Eigen::Map<const Eigen::VectorXd>(row.pull_mm.data(), static_cast<Eigen::Index>(row.pull_mm.size()));
}

class Replayer {
 public:
  Replayer(const Script& script, const Scene& scene, const MotionVerifier& verifier, const ReplayTask& task)
      : script_(script),
        scene_(scene),
        verifier_(verifier),
        design_(verifier.design()),
        task_(task),
        hardware_(verifier.design()),
        now_(task.from),
        places_(scene.vias, kTipRounding) {
    required_mm_ = std::max(0.0, scene.required_clearance_mm - kReplayClearanceSlack_mm);
  }

  ReplayReport run() {
    const Waypoint* before = &script_.waypoints.front();
    Finding finding = check_start(*before);
    look_at_target(*before);
    for (std::size_t i = 1; i < script_.waypoints.size() && !finding; ++i) {
      const Waypoint& row = script_.waypoints[i];
      if (task_.effort.cut_short()) {
        report_.cut_short_at_line = row.line;
        return report_;
      }
      if (row.action == kHuntAction && before->action != kHuntAction) finding = begin_hunt(i);
      if (!finding) finding = run_row(*before, row);
      before = &row;
      if (!finding) look_at_target(row);
    }
    if (finding) return failed(before->line, *finding);
    if ((finding = check_end(*before))) return failed(before->line, *finding);
    if ((finding = check_places())) return failed(early_.value_or(before->line), *finding);
    if ((finding = check_target())) return failed(report_.tip_line, *finding);
    return report_;
  }

 private:
  ReplayReport failed(int line, ReplayFinding finding) {
    report_.fault =
        ReplayFault{finding.cause, std::max(line, 1), std::move(finding.problem), std::move(finding.remedy)};
    return report_;
  }

  // --- Rows ---

  Finding check_start(const Waypoint& row) const {
    if (auto finding = check_axes(design_, script_)) return finding;
    if (starts_right(row)) return std::nullopt;
    return task_.from == start_state()
               ? ReplayFinding{ReplayCause::start,
                               "the script does not start with every axis at zero and every lock released",
                               "start it so, or name the state that it starts from"}
               : ReplayFinding{ReplayCause::start, "the script does not start in the state that was named",
                               "name the one that it starts from"};
  }

  /// Do the axes and locks of the first row stand as the state that the script begins in has them?
  bool starts_right(const Waypoint& row) const {
    if (task_.from == start_state()) return at_zero(row);
    const auto pulls = tendon_pulls(design_, regions_of(design_, task_.from), task_.from.insertion_mm);
    return row.engaged == task_.from.engaged &&
           std::abs(row.insertion_mm - task_.from.insertion_mm) <= kAtZero_mm &&
           std::equal(row.pull_mm.begin(), row.pull_mm.end(), pulls.begin(), pulls.end(),
                      [](double is, double planned) { return std::abs(is - planned) <= kAtZero_mm; });
  }

  Finding check_end(const Waypoint& row) const {
    if (at_zero(row) || (task_.only_out && row.insertion_mm <= kAtZero_mm)) return std::nullopt;
    return ReplayFinding{ReplayCause::way_back, "the script ends here, short of the start",
                         "bring every axis back to zero and release every lock"};
  }

  Finding run_row(const Waypoint& before, const Waypoint& row) {
    hunted_ = -1;
    if (hunt_ && row.action != kHuntAction)
      if (auto finding = end_hunt(before)) return finding;
    if (row.insertion_mm != before.insertion_mm || row.pull_mm != before.pull_mm)
      if (auto finding = hunt_ ? run_swept_move(before, row) : run_move(before, row)) return finding;
    if (row.engaged != before.engaged) return run_switch(before, row);
    return std::nullopt;
  }

  // --- Hunts ---

  /// A sweep under way: the lock it is for, the body with that lock engaged, and the bends so far.
  struct Hunt {
    int lock = -1;
    Waypoint planned;
    State centre;
    State latched;
    std::vector<Eigen::Vector2d> slide_mm = {Eigen::Vector2d::Zero()};
  };

  /// The lock that engages after the sweep whose first row is `first`; -1 where no lock does, or more than
  /// one.
  int hunted_lock(std::size_t first) const {
    const LockSet held = script_.waypoints[first - 1].engaged;
    std::size_t end = first;
    while (end < script_.waypoints.size() && script_.waypoints[end].action == kHuntAction &&
           script_.waypoints[end].engaged == held)
      ++end;
    if (end == script_.waypoints.size()) return -1;
    const LockSet changed = script_.waypoints[end].engaged ^ held;
    for (int lock = 0; lock < design_.lock_count(); ++lock)
      if (const auto i = static_cast<std::size_t>(lock);
          changed.test(i) && !held.test(i) && changed.count() == 1)
        return lock;
    return -1;
  }

  /// The sweep from row `first` on.
  Finding begin_hunt(std::size_t first) {
    Hunt hunt;
    hunt.lock = hunted_lock(first);
    if (hunt.lock < 0)
      return ReplayFinding{ReplayCause::hunt,
                           "the sweep that begins here is not followed by a lock that engages",
                           "engage one lock after it"};
    if (lock_hunt_track(design_, now_, hunt.lock).shape == HuntShape::none)
      return ReplayFinding{ReplayCause::hunt,
                           fmt::format("no sweep moves the slides at lock {} here", hunt.lock + 1),
                           "switch it without one"};
    hunt.planned = script_.waypoints[first - 1];
    hunt.centre = now_;
    hunt.latched = after_lock(design_, now_, hunt.lock);
    if (auto finding = pull_onto_notches(hunt.lock, hunt.latched)) return finding;
    hunt_ = std::move(hunt);
    ++report_.hunts;
    return std::nullopt;
  }

  /// A move with the lock released, and the same with it engaged.
  Finding run_swept_move(const Waypoint& before, const Waypoint& row) {
    if (row.insertion_mm != before.insertion_mm)
      return ReplayFinding{ReplayCause::hunt, "the carriage advances during a sweep", "leave it where it is"};
    if (auto finding = run_move(before, row)) return finding;
    hunt_->slide_mm.push_back(slide_of_sweep(design_, hunt_->centre, hunt_->lock, now_));
    if (auto finding = check_swept_field(row)) return finding;
    std::swap(now_, hunt_->latched);
    auto finding = run_move(before, row);
    if (!finding) finding = check_swept_field(row);
    std::swap(now_, hunt_->latched);
    return finding;
  }

  /// Does the field still turn the lock and leave the others, where the sweep has brought the body?
  Finding check_swept_field(const Waypoint& row) const {
    if (!design_.field()) return std::nullopt;
    return check_torques(design_, lock_poses_E(design_, now_), hunt_->centre.engaged, hunt_->lock, row);
  }

  /// The same all along a piece of a sweep, and the field within its limit.
  Finding check_swept_way(const Waypoint& row, const State& from, const State& to,
                          double aside_per_mm) const {
    if (!hunt_ || !design_.field()) return std::nullopt;
    return check_field_way(design_, {from, to, hunt_->centre.engaged, hunt_->lock, aside_per_mm}, row);
  }

  /// A lock that engages without a sweep where one is called for and can be made; with the wall farther off
  /// than what plan and script may round apart.
  Finding check_not_hunted(int lock, const Waypoint& row) const {
    if (!design_.latch() || lock_hunt_track(design_, now_, lock).shape == HuntShape::none)
      return std::nullopt;
    const Currents current_A = design_.field() ? currents_of(design_, row) : Currents();
    const LockHunt hunt =
        judge_lock_hunt(verifier_, design_.tendons() ? &hardware_ : nullptr,
                        scene_.required_clearance_mm + kClearanceSlack_mm + kScriptDeviation_mm, now_, lock,
                        design_.field() ? &current_A : nullptr);
    if (!hunt.made()) return std::nullopt;
    return ReplayFinding{ReplayCause::hunt,
                         fmt::format("lock {} engages without a sweep, which can be made here", lock + 1),
                         fmt::format("hunt for it: sweep {} mm of slide to every side", hunt.radius_mm)};
  }

  Finding end_hunt(const Waypoint& last) {
    const Hunt hunt = std::move(*hunt_);
    hunt_.reset();
    hunted_ = hunt.lock;
    if (last.pull_mm != hunt.planned.pull_mm)
      return ReplayFinding{ReplayCause::hunt, "the sweep ends elsewhere than at the pulls that it began with",
                           "go back to them"};
    return check_hunt_covers(design_, hunt.centre, hunt.lock, hunt.slide_mm);
  }

  void look_at_target(const Waypoint& row) {
    const Eigen::Isometry3d tip_S = scene_.entry.X_SE * Shape(design_, now_).tip_E();
    const double error = (tip_S.translation() - scene_.target.point_S).norm();
    places_.pass(tip_S);
    // On the way to the last place to pass a tip at the target is not there yet.
    const bool at_target = is_at(scene_.target, tip_S, kTipRounding);
    if (at_target && !places_.all() && !early_) early_ = std::max(row.line, 1);
    const bool reached = at_target && places_.all();
    if (reached_ && !reached) return;
    if (reached == reached_ && error >= report_.tip_error_mm) return;
    reached_ = reached;
    report_.tip_error_mm = error;
    report_.tip_line = std::max(row.line, 1);
    tip_turn_rad_ = turn_rad(scene_.target, tip_S);
  }

  Finding check_places() const {
    if (reached_ || task_.only_out || (places_.all() && !early_)) return std::nullopt;
    if (places_.all())
      return ReplayFinding{ReplayCause::target,
                           "the tip is at the target here, and not again after the places to pass",
                           "pass them first"};
    return ReplayFinding{
        ReplayCause::target,
        fmt::format("no row has its tip at place {} of those to pass{}", places_.missing() + 1,
                    places_.missing() > 0 ? " after those before it" : ""),
        "pass the places in their order, and then go to the target"};
  }

  Finding check_target() const {
    if (reached_ || task_.only_out) return std::nullopt;
    std::string problem =
        fmt::format("the tip comes within {:.3f} mm of the target here and no nearer", report_.tip_error_mm);
    if (report_.tip_error_mm <= scene_.target.tolerance_mm)
      problem += fmt::format(", {:.2f} degrees off its direction", degrees(tip_turn_rad_));
    return ReplayFinding{ReplayCause::target, problem,
                         fmt::format("bring it within {} mm", scene_.target.tolerance_mm)};
  }

  // --- Moves ---

  /// The state with the axes at a share `t` of the way between two rows.
  State state_at(const Waypoint& from, const Waypoint& to, double t, const Eigen::Vector2d& guess,
                 double* disagreement) const {
    State state = now_;
    state.insertion_mm = from.insertion_mm + t * (to.insertion_mm - from.insertion_mm);
    state.u_free = guess;
    const FreeBend bend =
        free_bend_from_pulls(design_, state, pulls_of(from) + t * (pulls_of(to) - pulls_of(from)));
    state.u_free = bend.u;
    *disagreement = bend.disagreement_mm;
    return state;
  }

  static Finding check_agreement(double disagreement_mm) {
    if (disagreement_mm <= kScriptDeviation_mm) return std::nullopt;
    return ReplayFinding{
        ReplayCause::pulls_disagree,
        fmt::format("no bend has these pulls: the nearest is {:.6f} mm off in one of them", disagreement_mm),
        "draw the tendons together"};
  }

  Finding run_move(const Waypoint& before, const Waypoint& row) {
    if (!hunt_)
      if (auto finding = check_field_off(before, row)) return finding;
    double disagreement = 0.0;
    const State to = state_at(before, row, 1.0, now_.u_free, &disagreement);
    if (auto finding = check_agreement(disagreement)) return finding;
    if (auto finding = check_state(to, 2.0 * kScriptStep)) return finding;
    // A free region that comes out of the guide has had no bend of its own before: it starts with the one it
    // gets.
    State from = now_;
    if (regions_of(design_, from).back().flexible_mm <= kNoLength_mm) from.u_free = to.u_free;
    cuts_ = smooth_cuts(design_, from, to);
    const Piece whole{0.0, 1.0, from, to};
    if (auto finding = run_piece(before, row, whole, kDeepestReplayParting)) return finding;
    now_ = to;
    return std::nullopt;
  }

  struct Piece {
    double t0;
    double t1;
    State from;
    State to;
  };

  /// Verifies a piece as a straight way in (d, u), or parts it where that is too far from what the axes make.
  Finding run_piece(const Waypoint& before, const Waypoint& row, const Piece& piece, int depth) {
    double deviation = 0.0;
    double aside_per_mm = 0.0;
    for (const double t : samples_between(cuts_, piece.t0, piece.t1)) {
      const State straight = interpolate(piece.from, piece.to, (t - piece.t0) / (piece.t1 - piece.t0));
      double disagreement = 0.0;
      const State made = state_at(before, row, t, straight.u_free, &disagreement);
      if (auto finding = check_agreement(disagreement)) return finding;
      if (auto finding = check_state(made, kScriptDeviation_mm)) return finding;
      const MotionBounds bounds = motion_bounds(design_, StateRange::of(made));
      const double off = (made.u_free - straight.u_free).norm();
      aside_per_mm = std::max(aside_per_mm, off);
      deviation = std::max(deviation, off * bounds.curvature_lever_mm2(design_.length_mm()));
    }
    if (deviation <= kPieceDeviation_mm || depth == 0) {
      if (auto finding = check_way(piece.from, piece.to)) return finding;
      if (auto finding = check_swept_way(row, piece.from, piece.to, kUnseenDeviation * aside_per_mm))
        return finding;
      return check_clearance(piece.from, piece.to, kUnseenDeviation * deviation);
    }
    const double t = parting_point(cuts_, piece.t0, piece.t1);
    double disagreement = 0.0;
    const State middle = state_at(before, row, t, piece.from.u_free, &disagreement);
    if (auto finding = run_piece(before, row, {piece.t0, t, piece.from, middle}, depth - 1)) return finding;
    return run_piece(before, row, {t, piece.t1, middle, piece.to}, depth - 1);
  }

  Finding check_state(const State& state, double pull_leniency_mm) {
    const HardwareUse use = hardware_.use(state);
    const auto raise = [](double& most, double value) { most = std::max(most, value); };
    for (const double pull : use.pull_mm) raise(report_.pull_max_mm, std::abs(pull));
    for (const double tension : use.tension_N) raise(report_.tension_max_N, tension);
    for (const double moment : use.lock_moment_Nmm) raise(report_.lock_moment_max_Nmm, moment);
    return check_limits(design_, state, use, Leniency::of_pull(design_, state, pull_leniency_mm));
  }

  /// The hardware's limits along a whole piece; a breach by what a script may be off doesn't count.
  Finding check_way(const State& from, const State& to) const {
    auto breach = hardware_.motion_breach(from, to);
    if (!breach) breach = hardware_.coupling_motion_breach(from, to);
    if (!breach) return std::nullopt;
    constexpr double kShareOfLimit = 1e-3;
    if (breach->value <= breach->allowed * (1.0 + kShareOfLimit)) return std::nullopt;
    return ReplayFinding{cause_of(breach->limit), "on the way here " + breach->sentence(),
                         "take another route"};
  }

  static ReplayCause cause_of(HardwareLimit limit) {
    switch (limit) {
      case HardwareLimit::stroke:
        return ReplayCause::stroke;
      case HardwareLimit::tendon_plane:
        return ReplayCause::tendon_plane;
      case HardwareLimit::tension:
        return ReplayCause::tension;
      case HardwareLimit::lock_load:
        return ReplayCause::lock_load;
      case HardwareLimit::field:
      case HardwareLimit::coupling:
        return ReplayCause::field;
    }
    return ReplayCause::field;
  }

  Finding check_clearance(const State& from, const State& to, double deviation_mm) {
    // The exact clearance costs more than a yes or no, so it is only asked where it is the least so far.
    const double wanted = std::max(required_mm_, std::min(report_.clearance_mm, kFarFromWall_mm));
    if (verifier_.clears(from, to, wanted + deviation_mm)) return std::nullopt;
    const MotionClearance found = verifier_.clearance(from, to);
    if (found.lower_mm - deviation_mm < required_mm_) return too_near(found);
    report_.clearance_mm = std::min(report_.clearance_mm, found.lower_mm - deviation_mm);
    return std::nullopt;
  }

  ReplayFinding too_near(const MotionClearance& found) const {
    const std::string problem =
        found.upper_mm <= 0.0 ? std::string("on the way here the body touches the wall")
        : found.upper_mm < scene_.required_clearance_mm
            ? fmt::format("on the way here the body comes within {:.3f} mm of the wall", found.upper_mm)
            : std::string("on the way here the body is not proved to keep clear of the wall");
    return {ReplayCause::clearance, problem, fmt::format("keep {} mm clear", scene_.required_clearance_mm)};
  }

  // --- Switches ---

  Finding run_switch(const Waypoint& before, const Waypoint& row) {
    const LockSet changed = before.engaged ^ row.engaged;
    if (auto finding = check_one_switch(changed)) return finding;
    int lock = 0;
    while (!changed.test(static_cast<std::size_t>(lock))) ++lock;
    ++report_.switches;
    if (design_.field()) {
      if (auto finding = check_field(design_, now_, lock, row)) return finding;
      if (auto finding = check_currents(design_, now_, lock, row)) return finding;
      if (auto finding = check_coupling(hardware_, now_)) return finding;
      report_.field_max_mT = std::max(report_.field_max_mT, row.field_S.norm());
      report_.field_reserve = std::min(report_.field_reserve, field_reserve(design_, now_, lock, row));
    }
    if (!row.engaged.test(static_cast<std::size_t>(lock))) {
      if (auto finding = check_release(lock)) return finding;
      return settle(row, after_unlock(design_, now_, lock), after_unlock(design_, now_, lock));
    }
    if (hunted_ != lock)
      if (auto finding = check_not_hunted(lock, row)) return finding;
    const State engaged = after_lock(design_, now_, lock);
    State latched = engaged;
    if (auto finding = pull_onto_notches(lock, latched)) return finding;
    return settle(row, engaged, latched);
  }

  /// A latch pulls the bend that a lock was engaged on onto its notches.
  Finding pull_onto_notches(int lock, State& state) const {
    if (!design_.latch()) return std::nullopt;
    const std::size_t at = region_index(state.engaged, lock);
    const Eigen::Vector2d sum = bend_up_to_lock(state, lock);
    const auto latched = latched_bend(*design_.latch(), sum);
    if (!latched)
      return ReplayFinding{ReplayCause::latch,
                           fmt::format("lock {} engages between notches: the backbones have slid by {} mm",
                                       lock + 1, slides(sum)),
                           fmt::format("bend so that each slide is within {} mm of a multiple of {} mm",
                                       design_.latch()->engage_window_mm, design_.latch()->notch_pitch_mm)};
    const Eigen::Vector2d pulled_in = *latched - sum;
    state.theta_frozen[at] += pulled_in;
    // What the latch gives to one frozen region it takes from the next: the lock beyond holds its own slide.
    if (at + 1 < state.theta_frozen.size()) state.theta_frozen[at + 1] -= pulled_in;
    return std::nullopt;
  }

  std::string slides(const Eigen::Vector2d& theta_sum) const {
    const Eigen::VectorXd slide = backbone_slides(*design_.latch(), theta_sum);
    return fmt::format("{:.4f}", fmt::join(slide.data(), slide.data() + slide.size(), ", "));
  }

  /// Letting go must not let the body snap.
  Finding check_release(int lock) const {
    const auto regions = regions_of(design_, now_);
    const std::size_t at = region_index(now_.engaged, lock);
    const double from = std::max(regions[at].from_mm, first_exposed_station(design_, now_.insertion_mm));
    const double reach = design_.length_mm() - from;
    const double snap = 0.5 * reach * reach * (regions[at].u - regions[at + 1].u).norm();
    if (snap > kSnap_mm)
      return ReplayFinding{
          ReplayCause::snap,
          fmt::format("lock {} lets go while the curvature on its two sides differs by {:.6f} per mm, which "
                      "lets the tip snap by up to {:.3f} mm",
                      lock + 1, (regions[at].u - regions[at + 1].u).norm(), snap),
          "bend the free part to the frozen curvature first"};
    return std::nullopt;
  }

  /// After a switch the frozen bends are those of `after`, and the tendons, which have not moved, say what
  /// the free region's bend is now. `before` is the body as it was, with the locks of `after`.
  Finding settle(const Waypoint& row, const State& before, const State& after) {
    now_ = after;
    double disagreement = 0.0;
    now_ = state_at(row, row, 0.0, after.u_free, &disagreement);
    if (auto finding = check_agreement(disagreement)) return finding;
    if (auto finding = check_state(now_, 2.0 * kScriptStep)) return finding;
    return check_settling(before, now_);
  }

  /// Clearance while the body settles: frozen bends and free curvature move linearly, in steps so small that
  /// half a step moves no point by more than is allowed for. A turn by dTheta moves a point at arc length l
  /// beyond it by at most |dTheta| l.
  Finding check_settling(const State& from, const State& to) {
    const auto regions = regions_of(design_, to);
    const double length = design_.length_mm();
    double travel =
        (to.u_free - from.u_free).norm() * regions.back().flexible_mm * (length - regions.back().from_mm);
    for (std::size_t k = 0; k < to.theta_frozen.size(); ++k)
      travel += (to.theta_frozen[k] - from.theta_frozen[k]).norm() * (length - regions[k].from_mm);
    const int steps = std::max(1, static_cast<int>(std::ceil(travel / (2.0 * kPieceDeviation_mm))));
    for (int i = 0; i <= steps; ++i) {
      const double t = static_cast<double>(i) / steps;
      State state = interpolate(from, to, t);
      for (std::size_t k = 0; k < state.theta_frozen.size(); ++k)
        state.theta_frozen[k] += t * (to.theta_frozen[k] - from.theta_frozen[k]);
      if (auto finding = check_clearance(state, state, 0.5 * travel / steps)) return finding;
    }
    return std::nullopt;
  }

  const Script& script_;
  const Scene& scene_;
  const MotionVerifier& verifier_;
  const Design& design_;
  const ReplayTask task_;
  Hardware hardware_;
  double required_mm_ = 0.0;
  std::vector<double> cuts_;  // of the move under way
  State now_;
  std::optional<Hunt> hunt_;  // while a sweep is under way
  int hunted_ = -1;           // the lock whose sweep ends where the row under way begins
  ReplayReport report_;
  PlacesPassed places_;
  std::optional<int> early_;  // the line where the tip is at the target before it has passed all places
  bool reached_ = false;
  double tip_turn_rad_ = 0.0;
};

}  // namespace

ReplayReport replay(const Script& script, const Scene& scene, const MotionVerifier& verifier,
                    const ReplayTask& task) {
  assert(verifier.design().tendons() && !script.waypoints.empty());
  return Replayer(script, scene, verifier, task).run();
}

}  // namespace withy
