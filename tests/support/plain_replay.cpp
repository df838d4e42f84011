// SPDX-License-Identifier: GPL-3.0-or-later
#include "tests/support/plain_replay.h"

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <exception>
#include <iterator>
#include <limits>
#include <map>
#include <memory>
#include <set>
#include <stdexcept>
#include <tuple>

#include <Eigen/Dense>
#include <fmt/format.h>

#include "tests/support/plain_clearance.h"
#include "tests/support/plain_field.h"
#include "tests/support/plain_hardware.h"
#include "tests/support/plain_plan.h"

namespace withy_plain {
namespace {

constexpr double kPi = 3.14159265358979323846;
constexpr double kSameCurvature =
    1e-8;  // 1/mm: moves the tip of a metre of segment by a hundredth of a millimetre
constexpr double kSameBend_rad = 1e-9;  // a frozen bend is copied, never recomputed
constexpr double kOnNotch_mm = 1e-6;    // what a planned slide may be off a notch: rounding, not the window
constexpr double kRounding = 1e-9;      // of lengths and limits, relative to 1
constexpr double kMostSlack_mm = 0.05;
// What a sweep may come nearer to the wall between its track's corners than at them: a chord of a tenth of a
// millimetre's slide, as long as a window, moves the tip by some tenths, and the corners are its extremes in
// every direction but for the wall's own bend.
constexpr double kSweepBetweenCorners_mm = 0.02;
// What plans ask of the currents at a sweep's corners: a reserve of 1 and a thousandth for what lies between.
constexpr double kSweepReserve = 1.001;
constexpr int kLimitSamples = 32;  // of each motion, for limits other than clearance

std::string sha256_of(const std::string& path) {
  const std::unique_ptr<std::FILE, int (*)(std::FILE*)> pipe(
      ::popen(("sha256sum -b '" + path + "'").c_str(), "r"), ::pclose);
  char digest[65] = {};
  if (!pipe || std::fread(digest, 1, 64, pipe.get()) != 64) throw std::runtime_error("can't hash " + path);
  return digest;
}

Robot robot_for(const Scene& scene, int locks) {
  Robot robot{scene, {}};
  if (const auto given = scene.layouts.find(locks); given != scene.layouts.end()) {
    robot.layout = given->second;
  } else {
    for (int i = 1; i <= locks; ++i) {
      robot.layout.station_mm.push_back(i * (scene.length_mm - scene.tip_rigid_mm) / (locks + 1));
      robot.layout.clock_rad.push_back(0);
    }
  }
  return robot;
}

bool same(double a, double b, double tolerance = kSameNumber) {
  return std::abs(a - b) <= tolerance;
}

Eigen::VectorXd vector_of(const std::vector<double>& numbers) {
  return Eigen::Map<const Eigen::VectorXd>(numbers.data(), std::ssize(numbers));
}

std::vector<double> list_of(const Eigen::VectorXd& v) {
  return {v.begin(), v.end()};
}

class Replay {
 public:
  Replay(const Scene& scene, const ListedPlan& plan, int most_samples)
      : plan_(plan),
        most_samples_(most_samples),
        robot_(robot_for(scene, plan.locks)),
        scene_(robot_.scene),
        wall_(make_solid(read_mesh(scene.mesh_path, scene.mm_per_unit), scene)) {}

  std::vector<std::string> run() {
    checked_sections();
    // A target that the start is at takes no action.
    if (plan_.states.empty() || plan_.actions.empty() != (plan_.states.size() == 1)) {
      note("plan: no states, or states that no actions join");
      return faults_;
    }
    for (std::size_t i = 0; i < plan_.states.size(); ++i) state_form(i);
    chain();
    if (!faults_.empty()) return faults_;  // what follows needs states and actions that hang together
    for (std::size_t i = 0; i < plan_.states.size(); ++i) state_numbers(i);
    for (std::size_t k = 0; k < plan_.actions.size(); ++k) action(k);
    target();
    summary();
    segment();
    benches();
    nothing_unexamined();
    return faults_;
  }

 private:
  template <class... Args>
  void note(fmt::format_string<Args...> form, Args&&... args) {
    faults_.push_back(fmt::format(form, std::forward<Args>(args)...));
  }

  const ListedState& listed(int i) const { return plan_.states[static_cast<std::size_t>(i)]; }
  const State& state(int i) const { return listed(i).state; }

  // ---- what was checked

  void checked_section(const std::string& name, bool in_scene) {
    const auto lists = [&](const std::vector<std::string>& names) {
      return std::find(names.begin(), names.end(), name) != names.end();
    };
    if (!in_scene && (lists(plan_.checked) || !lists(plan_.not_checked)))
      note("plan: {} is not in the scene but not said to be unchecked", name);
    if (in_scene && lists(plan_.not_checked)) note("plan: {} is in the scene but said to be unchecked", name);
  }

  void checked_sections() {
    checked_section("clearance", true);
    checked_section("tendons", scene_.tendons.has_value());
    if (plan_.locks == 0) return;
    checked_section("latch", scene_.latch.has_value());
    checked_section("field", scene_.field.has_value());
  }

  // ---- states

  void state_form(std::size_t i) {
    const State& s = plan_.states[i].state;
    if (s.locked.size() != static_cast<std::size_t>(robot_.locks()))
      return note("state {}: {} locks listed, not {}", i, s.locked.size(), robot_.locks());
    std::vector<double> ends = {0};
    for (std::size_t k = 0; k < s.locked.size(); ++k) {
      if (s.locked[k]) ends.push_back(robot_.layout.station_mm[k]);
    }
    ends.push_back(scene_.length_mm);
    if (s.regions.size() + 1 != ends.size())
      return note("state {}: {} regions for {} engaged locks", i, s.regions.size(), ends.size() - 2);
    for (std::size_t k = 0; k < s.regions.size(); ++k) {
      if (!same(s.regions[k].from_mm, ends[k], kRounding) ||
          !same(s.regions[k].to_mm, ends[k + 1], kRounding)) {
        note("state {}: region {} is [{}, {}], engaged locks say [{}, {}]", i, k, s.regions[k].from_mm,
             s.regions[k].to_mm, ends[k], ends[k + 1]);
      }
    }
  }

  void limits(const State& s, const std::string& where) {
    if (s.insertion_mm < -kRounding || s.insertion_mm > scene_.insertion_max_mm + kRounding)
      note("{}: insertion {} outside [0, {}]", where, s.insertion_mm, scene_.insertion_max_mm);
    for (const Region& r : s.regions) {
      if (!(r.u.norm() <= scene_.curvature_max_per_mm * (1 + kRounding)))
        note("{}: curvature {} above {}", where, r.u.norm(), scene_.curvature_max_per_mm);
    }
    if (scene_.tendons) tendon_limits(s, where);
    for (int i = 0; scene_.field && i < robot_.locks(); ++i) {
      const double push = coupling(robot_, s, i);
      if (push > scene_.lock->hold_torque_Nmm * (1 + kRounding))
        note("{}: lock {} is pushed off its stop by {} N mm of the other magnets", where, i + 1, push);
    }
    if (scene_.tendons && scene_.lock) {
      for (const double moment : lock_moments(robot_, s)) {
        if (moment > scene_.lock->hold_moment_Nmm * (1 + kRounding))
          note("{}: lock moment {} above {}", where, moment, scene_.lock->hold_moment_Nmm);
      }
    }
  }

  void tendon_limits(const State& s, const std::string& where) {
    const Tendons& tendons = *scene_.tendons;
    for (const double pull : pulls(robot_, s)) {
      if (std::abs(pull) > tendons.stroke_max_mm * (1 + kRounding))
        note("{}: pull {} above {}", where, pull, tendons.stroke_max_mm);
    }
    const auto tensions = base_tensions(robot_, s);
    if (!tensions) return note("{}: no tensions make this bend", where);
    for (const double tension : *tensions) {
      if (tension > tendons.tension_max_N * (1 + kRounding))
        note("{}: tension {} above {}", where, tension, tendons.tension_max_N);
    }
  }

  void compare(const std::string& what, const std::vector<double>& said, const std::vector<double>& found) {
    if (said.size() != found.size()) return note("{}: {} numbers, not {}", what, said.size(), found.size());
    for (std::size_t k = 0; k < said.size(); ++k) {
      if (!same(said[k], found[k])) note("{}: {} at {}, found {}", what, said[k], k + 1, found[k]);
    }
  }

  void compare(const std::string& what, const Eigen::Vector3d& said, const Eigen::Vector3d& found) {
    if (!((said - found).cwiseAbs().maxCoeff() <= kSameNumber)) {
      note("{}: [{}, {}, {}], found [{}, {}, {}]", what, said.x(), said.y(), said.z(), found.x(), found.y(),
           found.z());
    }
  }

  Eigen::Isometry3d tip_S(const State& s) const {
    return scene_.X_SE * Body(robot_, s).pose_E(scene_.length_mm);
  }

  void state_numbers(std::size_t i) {
    const ListedState& l = plan_.states[i];
    const std::string where = fmt::format("state {}", i);
    limits(l.state, where);
    compare(where + " tip_mm", l.tip_S, tip_S(l.state).translation());
    if (scene_.tendons) {
      compare(where + " pull_mm", l.pull_mm, pulls(robot_, l.state));
      if (const auto tensions = base_tensions(robot_, l.state))
        compare(where + " tension_N", l.tension_N, *tensions);
      if (robot_.locks() > 0)
        compare(where + " lock_moment_Nmm", l.lock_moment_Nmm, lock_moments(robot_, l.state));
    }
    clearance(where, l.clearance_mm, l.state, l.state);
  }

  // ---- clearance

  using Key = std::vector<double>;

  static void append(Key& key, const State& s) {
    key.push_back(s.insertion_mm);
    for (const bool b : s.locked) key.push_back(b);
    for (const Region& r : s.regions) key.insert(key.end(), {r.u.x(), r.u.y()});
  }

  // A motion and its reverse pass the same states: one of the two is sampled.
  const Sampled& sampled(const State& from, const State& to) {
    Key there, back;
    append(there, from), append(back, to);
    if (back < there) there.swap(back);
    there.insert(there.end(), back.begin(), back.end());
    const auto known = sampled_.find(there);
    if (known != sampled_.end()) return known->second;
    return sampled_.emplace(there, least_clearance(robot_, wall_, from, to, most_samples_)).first->second;
  }

  void clearance(const std::string& where, std::optional<double> said, const State& from, const State& to) {
    const Sampled& found = sampled(from, to);
    if (!said) {
      if (std::isfinite(found.minimum_mm))
        note("{}: clearance null, found {} at fraction {}, station {}", where, found.minimum_mm,
             found.fraction, found.station_mm);
      return;
    }
    if (found.minimum_mm < *said - kSameNumber)
      note("{}: clearance {} overstated, found {} at fraction {}, station {}", where, *said, found.minimum_mm,
           found.fraction, found.station_mm);
    // A body that moves may come past the entry plane between two samples only: then nothing is known of it.
    const bool known = std::isfinite(found.minimum_mm) || &from == &to;
    if (known && *said < found.minimum_mm - found.bound_mm - plan_.summary.clearance_slack_mm - kSameNumber) {
      note("{}: clearance {} understated by more than the slack, found {} (at most {} less)", where, *said,
           found.minimum_mm, found.bound_mm);
    }
    if (*said < scene_.required_clearance_mm - kRounding)
      note("{}: clearance {} below the required {}", where, *said, scene_.required_clearance_mm);
  }

  // ---- actions

  void resting(const std::string& where, const State& s) {
    if (!same(s.insertion_mm, 0, kRounding)) note("{}: insertion {}, not 0", where, s.insertion_mm);
    for (const bool b : s.locked) {
      if (b) note("{}: a lock is engaged", where);
    }
    for (const Region& r : s.regions) {
      if (r.u.norm() > 0) note("{}: not straight", where);
    }
  }

  void chain() {
    if (plan_.actions.empty()) return resting("start and end", state(0));
    const int count = static_cast<int>(plan_.states.size());
    for (std::size_t k = 0; k < plan_.actions.size(); ++k) {
      const ListedAction& a = plan_.actions[k];
      if (a.from < 0 || a.from >= count || a.to < 0 || a.to >= count)
        return note("action {}: state out of range", k);
      if (k > 0 && a.from != plan_.actions[k - 1].to)
        note("action {}: starts at state {}, the one before ends at {}", k, a.from, plan_.actions[k - 1].to);
      if (a.leg != "in" && a.leg != "out") note("action {}: leg '{}'", k, a.leg);
      if (k > 0 && a.leg == "in" && plan_.actions[k - 1].leg == "out") note("action {}: in after out", k);
    }
    if (plan_.actions.front().leg != "in") note("plan: no in leg");
    if (plan_.actions.back().leg != "out") note("plan: no out leg");
    if (!faults_.empty()) return;
    resting("start", state(plan_.actions.front().from));
    resting("end", state(plan_.actions.back().to));
  }

  void action(std::size_t k) {
    const ListedAction& a = plan_.actions[k];
    const State &from = state(a.from), &to = state(a.to);
    const std::string where = fmt::format("action {} ({})", k, a.kind);
    if (a.kind == "lock" || a.kind == "unlock") {
      switching(where, a, from, to);
      clearance(where, a.clearance_mm, from, from);
      return;
    }
    if (a.kind != "advance" && a.kind != "bend" && a.kind != "steer") return note("{}: no such kind", where);
    if (a.lock >= 0 || a.field_S_mT) note("{}: names a lock or a field", where);
    if (from.locked != to.locked) return note("{}: a lock changes", where);
    motion(where, a.kind, from, to);
    clearance(where, a.clearance_mm, from, to);
  }

  void motion(const std::string& where, const std::string& kind, const State& from, const State& to) {
    if (kind == "bend" && !same(from.insertion_mm, to.insertion_mm, kRounding))
      note("{}: insertion moves", where);
    if (kind == "advance" &&
        (from.regions.back().u - to.regions.back().u).norm() > kSameCurvature * kSameBend_rad)
      note("{}: the free region bends", where);
    for (std::size_t r = 0; r + 1 < from.regions.size(); ++r) {
      const double moved =
          scene_.guide ? (theta(robot_, from, from.regions[r]) - theta(robot_, to, to.regions[r])).norm()
                       : (from.regions[r].u - to.regions[r].u).norm() * scene_.length_mm;
      if (moved > kSameBend_rad) note("{}: frozen region {} moves by {} rad", where, r, moved);
    }
    for (int i = 1; i < kLimitSamples; ++i) {
      const double t = static_cast<double>(i) / kLimitSamples;
      const std::size_t before = faults_.size();
      limits(between(robot_, from, to, t), fmt::format("{} at fraction {}", where, t));
      if (faults_.size() > before) return;  // one place is enough
    }
  }

  // ---- locks

  void switching(const std::string& where, const ListedAction& a, const State& from, const State& to) {
    if (a.lock < 0 || a.lock >= robot_.locks()) return note("{}: no such lock", where);
    const std::size_t lock = static_cast<std::size_t>(a.lock);
    const bool engages = a.kind == "lock";
    std::vector<bool> expected = from.locked;
    if (from.locked[lock] == engages) return note("{}: lock {} is there already", where, a.lock + 1);
    expected[lock] = engages;
    if (to.locked != expected) return note("{}: other locks change than lock {}", where, a.lock + 1);
    if (!same(from.insertion_mm, to.insertion_mm, kRounding)) note("{}: insertion moves", where);
    body_rests(where, from, to);
    if (engages) {
      latching(where, from, to, a.lock);
      hunting(where, a, from);
    } else {
      equal_curvature(where, from, a.lock);
    }
    field(where, a, from);
  }

  // ---- hunts

  bool hunts() const { return scene_.latch && scene_.latch->pitch_mm > 0 && scene_.latch->hunt_mm > 0; }

  void hunting(const std::string& where, const ListedAction& a, const State& from) {
    if (hunts() != a.hunt.has_value()) return note("{}: a hunt is {}", where, a.hunt ? "listed" : "missing");
    if (!a.hunt) return;
    const ListedHunt& hunt = *a.hunt;
    const bool sweep = sweeps(robot_, from, a.lock);
    if (hunt.shape != (sweep ? hunt_shape(scene_) : "none"))
      return note("{}: hunt of shape {}", where, hunt.shape);
    if (hunt.made == !hunt.why.empty())
      note("{}: hunt is {} and says '{}'", where, hunt.made ? "made" : "not", hunt.why);
    if (!sweep && hunt.made) note("{}: a hunt without a sweep is made", where);
    if (!sweep) return;
    track_covers(where, hunt);
    hunt.made ? sweep_holds(where, a, from) : sweep_fails(where, a, from);
  }

  // The turns leave no gap wider than sqrt(2) windows, end at the hunt's size, and the chords cut little off
  // it.
  void track_covers(const std::string& where, const ListedHunt& hunt) {
    if (!same(hunt.radius_mm, scene_.latch->hunt_mm, kRounding))
      note("{}: hunt of {} mm", where, hunt.radius_mm);
    if (hunt.shape == "line") return;
    const double window = scene_.latch->window_mm;
    if (hunt.turns < 2 || hunt.spacing_mm > std::sqrt(2.0) * window * (1 + kRounding) ||
        !same(hunt.spacing_mm * (hunt.turns - 1), hunt.radius_mm, kRounding))
      note("{}: hunt of {} turns {} mm apart", where, hunt.turns, hunt.spacing_mm);
    if (hunt.radius_mm * (1 - std::cos(kPi / hunt.corners_per_turn)) > 0.06 * window)
      note("{}: hunt with {} corners to a turn", where, hunt.corners_per_turn);
  }

  // The states at the track's corners, the lock open, then the same with it engaged.
  std::vector<std::vector<State>> sweep_states(const ListedAction& a, const State& from) const {
    std::vector<std::vector<State>> out(2);
    for (const Eigen::Vector2d& corner : hunt_corners(scene_, *a.hunt)) {
      out[0].push_back(swept(robot_, from, a.lock, corner));
      out[1].push_back(swept_engaged(robot_, from, a.lock, out[0].back()));
    }
    return out;
  }

  // Corners only: the sweep between them lies within its chords.
  double sampled_sweep(const ListedAction& a, const State& from) const {
    double least = std::numeric_limits<double>::infinity();
    for (const auto& states : sweep_states(a, from)) {
      for (const State& s : states) least = std::min(least, least_clearance(robot_, wall_, s, s).minimum_mm);
    }
    return least;
  }

  void sweep_holds(const std::string& where, const ListedAction& a, const State& from) {
    const std::size_t before = faults_.size();
    for (const auto& states : sweep_states(a, from)) {
      for (const State& s : states) {
        if (faults_.size() == before) limits(s, where + " sweep");
      }
    }
    if (const double x = swept_reserve(a, from); x < 1 - kSameNumber)
      note("{}: a reserve of {} only during the sweep", where, x);
    const double found = sampled_sweep(a, from);
    const double said = a.hunt->clearance_mm.value_or(std::numeric_limits<double>::infinity());
    if (said > found + kSameNumber) note("{}: hunt clearance {} overstated, found {}", where, said, found);
    if (said < found - plan_.summary.clearance_slack_mm - kSweepBetweenCorners_mm)
      note("{}: hunt clearance {} understated, found {}", where, said, found);
    if (said < scene_.required_clearance_mm - kRounding)
      note("{}: hunt clearance {} below the required {}", where, said, scene_.required_clearance_mm);
    hunt_clearance_ = std::min(hunt_clearance_, said);
    if (!scene_.actuation || !scene_.tendons) return;
    double seconds = 0;
    const auto open = sweep_states(a, from).front();
    std::vector<double> last = pulls(robot_, open.front());
    for (const State& s : open) {
      const std::vector<double> pull = pulls(robot_, s);
      double longest = 0;
      for (std::size_t k = 0; k < pull.size(); ++k) longest = std::max(longest, std::abs(pull[k] - last[k]));
      seconds += longest / scene_.actuation->tendon_mm_per_s;
      last = pull;
    }
    if (!a.hunt->duration_s || !same(*a.hunt->duration_s, seconds, 2e-6 * static_cast<double>(open.size())))
      note("{}: hunt lasts {}, found {}", where, a.hunt->duration_s.value_or(-1), seconds);
  }

  // Least reserve at the corners, the lock open and engaged: its field is on all along.
  double swept_reserve(const ListedAction& a, const State& from) const {
    constexpr int kSteps = 24;  // the ends of the stroke, which are among them, are its worst
    double least = std::numeric_limits<double>::infinity();
    if (!scene_.field || std::ssize(a.current_A) != current_count(robot_)) return least;
    for (const auto& states : sweep_states(a, from)) {
      for (State s : states) {
        s.locked[static_cast<std::size_t>(a.lock)] = false;
        least = std::min(least, reserve(robot_, s, a.lock, vector_of(a.current_A), kSteps));
      }
    }
    return least;
  }

  // A hunt that is not made must have a limit broken at a corner, or come too near to the wall.
  void sweep_fails(const std::string& where, const ListedAction& a, const State& from) {
    missing_hunt_ = true;
    if (sampled_sweep(a, from) < scene_.required_clearance_mm + plan_.summary.clearance_slack_mm) return;
    if (swept_reserve(a, from) < 1 + kSameNumber) return;
    const std::vector<std::string> kept = faults_;
    for (const auto& states : sweep_states(a, from)) {
      for (const State& s : states) limits(s, "sweep");
    }
    const bool broken = faults_.size() > kept.size();
    faults_ = kept;
    if (!broken) note("{}: hunt called off for nothing: {}", where, a.hunt->why);
  }

  void body_rests(const std::string& where, const State& from, const State& to) {
    for (const Region& after : to.regions) {
      const double length = flexible_length(robot_, to.insertion_mm, after.from_mm, after.to_mm);
      for (const Region& before : from.regions) {
        const double a = std::max(before.from_mm, after.from_mm), b = std::min(before.to_mm, after.to_mm);
        if (b <= a || flexible_length(robot_, from.insertion_mm, a, b) <= kRounding) continue;
        if ((before.u - after.u).norm() > kSameCurvature)
          note("{}: curvature of [{}, {}] changes by {}", where, a, b, (before.u - after.u).norm());
      }
      if (length <= kRounding && &after != &to.regions.back() && after.u.norm() > 0)
        note("{}: a region inside the guide is frozen bent", where);
    }
  }

  void equal_curvature(const std::string& where, const State& s, int lock) {
    for (std::size_t r = 0; r + 1 < s.regions.size(); ++r) {
      if (!same(s.regions[r].to_mm, robot_.layout.station_mm[static_cast<std::size_t>(lock)], kRounding))
        continue;
      const double step = (s.regions[r].u - s.regions[r + 1].u).norm();
      if (step > kSameCurvature) note("{}: curvature differs by {} across the lock", where, step);
    }
  }

  void latching(const std::string& where, const State& from, const State& to, int lock) {
    if (!scene_.latch || scene_.latch->pitch_mm == 0) return;
    const Latch& latch = *scene_.latch;
    const double station = robot_.layout.station_mm[static_cast<std::size_t>(lock)];
    // In plans exactly; the window is the bench's (scenes/MODEL.md, section 7).
    for (const State* state : {&from, &to}) {
      const double miss = notch_miss(latch, theta_to(robot_, *state, station));
      if (miss > kOnNotch_mm) note("{}: off the notches by {} mm", where, miss);
    }
  }

  void field(const std::string& where, const ListedAction& a, const State& from) {
    if (!scene_.field) return;
    if (!a.field_S_mT) return note("{}: no field", where);
    if (static_cast<int>(a.current_A.size()) != current_count(robot_)) return note("{}: no currents", where);
    const Eigen::VectorXd I = vector_of(a.current_A);
    compare(where + " field_mT", *a.field_S_mT, field_at(robot_, from, a.lock, I));
    if (const double passed = limits_passed(robot_, from, I); passed > kRounding)
      note("{}: field or currents are {} of themselves above their limit", where, passed);
    const double x = reserve(robot_, from, a.lock, I);
    least_reserve_ = std::min(least_reserve_, x);
    if (x < 1 - kSameNumber) note("{}: a reserve of {} only", where, x);
    if (!a.field_reserve) return note("{}: no reserve", where);
    if (!same(*a.field_reserve, x, kSameNumber))
      note("{}: field_reserve {}, found {}", where, *a.field_reserve, x);
    best_currents(where, a, from);
  }

  // The currents are those of the reserve that is wanted, or of the greatest the limits allow; where those
  // would not do during the sweep, others that do.
  void best_currents(const std::string& where, const ListedAction& a, const State& from) {
    if (even_field(robot_)) {
      const auto best = chosen_currents(robot_, from, a.lock);
      if (!best) return note("{}: no field switches lock {} here", where, a.lock + 1);
      ListedAction alone = a;
      alone.current_A = list_of(*best);
      if (a.hunt && swept_reserve(alone, from) < kSweepReserve) {
        const auto least = least_currents(robot_, from, a.lock, a.field_reserve.value_or(1));
        if (!least || vector_of(a.current_A).norm() < least->norm() - kSameNumber)
          note("{}: a reserve that currents of {} A can't have", where, vector_of(a.current_A).norm());
        return;
      }
      compare(where + " current_A", a.current_A, alone.current_A);
      return;
    }
    // Elsewhere: where the least currents keep all limits they are the ones.
    const auto least = least_currents(robot_, from, a.lock, scene_.field->reserve_wanted);
    if (least && limits_passed(robot_, from, *least) == 0)
      compare(where + " current_A", a.current_A, list_of(*least));
  }

  // ---- target and summary

  int reached_state() const {
    int at = 0;
    for (const ListedAction& a : plan_.actions) {
      if (a.leg == "in") at = a.to;
    }
    return at;
  }

  void target() {
    const Eigen::Isometry3d tip = tip_S(state(reached_state()));
    const double error = (tip.translation() - scene_.target_S).norm();
    if (error > scene_.target_tolerance_mm + kRounding)
      note("target: tip is {} mm off, tolerance {}", error, scene_.target_tolerance_mm);
    number("tip_error_mm", error);
    if_there("tip_tolerance_mm", scene_.target_tolerance_mm);
    margin("tip_margin_mm", scene_.target_tolerance_mm, error);
    if_there("backlash_tip_shift_mm", backlash_tip_shift(robot_, state(reached_state())));
    if (!scene_.target_direction_S) return;
    const Eigen::Vector3d t = tip.linear().col(2), d = *scene_.target_direction_S;
    const double angle = std::atan2(t.cross(d).norm(), t.dot(d));
    if (angle > scene_.target_direction_tolerance_rad + kRounding)
      note("target: tip points {} deg off", angle * 180 / kPi);
    number("tip_direction_error_deg", angle * 180 / kPi);
  }

  // ---- the summary: what must be there, and what must be right if it is there

  void if_there(const std::string& name, double found, double tolerance = kSameNumber) {
    recomputed_.insert(name);
    const auto said = plan_.summary.numbers.find(name);
    if (said != plan_.summary.numbers.end() && !same(said->second, found, tolerance)) {
      note("summary {}: {}, found {}", name, said->second, found);
    }
  }

  void number(const std::string& name, double found, double tolerance = kSameNumber) {
    if (!plan_.summary.numbers.count(name)) note("summary {}: none, found {}", name, found);
    if_there(name, found, tolerance);
  }

  void margin(const std::string& name, double limit, double found) { if_there(name, limit - found); }

  void largest(const std::string& name, const std::string& unit, double found, double limit) {
    if_there(name + "_max_" + unit, found);
    if_there(name + "_limit_" + unit, limit);
    margin(name + "_margin_" + unit, limit, found);
  }

  void largest_of_states() {
    double pull = 0, tension = 0, moment = 0, insertion = 0, curvature = 0;
    for (const ListedAction& a : plan_.actions) {
      if (!a.hunt || !a.hunt->made) continue;
      for (const auto& states : sweep_states(a, state(a.from))) {
        for (const State& s : states) {
          if (scene_.tendons) {
            for (const double p : pulls(robot_, s)) pull = std::max(pull, std::abs(p));
            for (const double T : base_tensions(robot_, s).value_or(std::vector<double>{}))
              tension = std::max(tension, T);
            for (const double m : lock_moments(robot_, s)) moment = std::max(moment, m);
          }
          for (const Region& r : s.regions) curvature = std::max(curvature, r.u.norm());
        }
      }
    }
    for (const ListedState& l : plan_.states) {
      for (const double p : l.pull_mm) pull = std::max(pull, std::abs(p));
      for (const double T : l.tension_N) tension = std::max(tension, T);
      for (const double m : l.lock_moment_Nmm) moment = std::max(moment, m);
      for (const Region& r : l.state.regions) curvature = std::max(curvature, r.u.norm());
      insertion = std::max(insertion, l.state.insertion_mm);
    }
    largest("insertion", "mm", insertion, scene_.insertion_max_mm);
    largest("curvature", "per_mm", curvature, scene_.curvature_max_per_mm);
    if (!scene_.tendons) {
      if (scene_.lock) if_there("lock_moment_limit_Nmm", scene_.lock->hold_moment_Nmm);
      return;
    }
    number("pull_max_mm", pull);
    number("tension_max_N", tension);
    largest("pull", "mm", pull, scene_.tendons->stroke_max_mm);
    largest("tension", "N", tension, scene_.tendons->tension_max_N);
    if (scene_.lock) largest("lock_moment", "Nmm", moment, scene_.lock->hold_moment_Nmm);
  }

  void summary() {
    const ListedSummary& s = plan_.summary;
    std::set<int> used;
    double field = 0;
    std::optional<double> least;
    for (const ListedAction& a : plan_.actions) {
      if (a.kind == "lock") used.insert(a.lock);
      if (std::ssize(a.current_A) == current_count(robot_))
        field = std::max(field, strongest(robot_, state(a.from), vector_of(a.current_A)));
      if (a.clearance_mm) least = std::min(least.value_or(*a.clearance_mm), *a.clearance_mm);
    }
    if (s.locks_used != static_cast<int>(used.size())) {
      note("summary locks_used: {}, found {}", s.locks_used, used.size());
    }
    if (s.actions != static_cast<int>(plan_.actions.size())) {
      note("summary actions: {}, found {}", s.actions, plan_.actions.size());
    }
    if (s.clearance_slack_mm < 0 || s.clearance_slack_mm > kMostSlack_mm) {
      note("summary clearance_slack_mm: {} outside [0, {}]", s.clearance_slack_mm, kMostSlack_mm);
    }
    if_there("clearance_required_mm", scene_.required_clearance_mm);
    if (least) {
      number("clearance_mm", *least);
      if_there("clearance_margin_mm", *least - scene_.required_clearance_mm);
    }
    largest_of_states();
    if (scene_.field) largest("field", "mT", field, scene_.field->strength_max_mT);
    if (missing_hunt_ && s.reserve_limited_by.find("hunt") == std::string::npos)
      note("summary reserve_limited_by: {}", s.reserve_limited_by);
    if (missing_hunt_) number("reserve", 0);
    if (std::isfinite(hunt_clearance_)) number("hunt_clearance_mm", hunt_clearance_);
    if (scene_.field && !used.empty()) {
      number("field_max_mT", field);
      number("field_reserve", least_reserve_);
    }
    if (scene_.field) if_there("field_reserve_wanted", scene_.field->reserve_wanted);
    if (s.preset != preset()) note("summary preset: {}, found {}", s.preset, !s.preset);
    duration();
  }

  // A lock engaged on a bend while no part of the body is past the entry plane.
  bool preset() {
    for (const ListedAction& a : plan_.actions) {
      if (a.kind != "lock") continue;
      const State& s = state(a.to);
      const double station = robot_.layout.station_mm[static_cast<std::size_t>(a.lock)];
      const bool bent = theta_to(robot_, s, station).norm() > 0;
      if (bent && !std::isfinite(sampled(s, s).minimum_mm)) return true;
    }
    return false;
  }

  // Every moment of a motion takes as long as the slowest of the axes it moves, a switch the field's
  // settling. A unit's way-points are rounded to 1e-6 mm and, where pulls are not linear in the motion, may
  // be 0.01 mm off it.
  void duration() {
    if (!scene_.actuation || !scene_.tendons) return;
    const Actuation& rates = *scene_.actuation;
    double total = 0;
    for (const ListedAction& a : plan_.actions) {
      total +=
          a.kind == "lock" || a.kind == "unlock" ? rates.field_settle_s : travel(state(a.from), state(a.to));
      // The field settles before a sweep too.
      if (a.hunt && a.hunt->made) total += rates.field_settle_s + a.hunt->duration_s.value_or(0);
      if (rates.drives_coils && a.lock >= 0) total += 2 * coil_ramp_s(rates);
    }
    const bool linear = scene_.tendons->disk_spacing_mm == 0 && !scene_.guide;
    const double slowest = std::min(rates.advance_mm_per_s, rates.tendon_mm_per_s);
    number("duration_s", total, (linear ? 2e-6 : 0.01) / slowest * static_cast<double>(plan_.actions.size()));
  }

  // Coils that the unit drives go up to their currents and back to none, each in the field's settling time.
  static double coil_ramp_s(const Actuation& rates) {
    return rates.field_settle_s > 0 ? rates.field_settle_s : 1.0;
  }

  double travel(const State& from, const State& to) const {
    constexpr int kSteps = 200;
    double total = 0;
    State before = from;
    std::vector<double> pull_before = pulls(robot_, before);
    for (int i = 1; i <= kSteps; ++i) {
      const State now = i == kSteps ? to : between(robot_, from, to, static_cast<double>(i) / kSteps);
      const std::vector<double> pull = pulls(robot_, now);
      double longest = std::abs(now.insertion_mm - before.insertion_mm) / scene_.actuation->advance_mm_per_s;
      for (std::size_t k = 0; k < pull.size(); ++k) {
        longest = std::max(longest, std::abs(pull[k] - pull_before[k]) / scene_.actuation->tendon_mm_per_s);
      }
      total += longest;
      before = now;
      pull_before = pull;
    }
    return total;
  }

  // ---- the segment as used, and what nobody looked at

  void segment() {
    std::map<std::string, double> found = {{"length_mm", scene_.length_mm},
                                           {"radius_mm", scene_.radius_mm},
                                           {"tip_rigid_mm", scene_.tip_rigid_mm},
                                           {"curvature_max_per_mm", scene_.curvature_max_per_mm},
                                           {"flexural_rigidity_Nmm2", scene_.rigidity_Nmm2},
                                           {"carriage/insertion_max_mm", scene_.insertion_max_mm}};
    if (scene_.lock) {
      found["body_length_mm"] = scene_.lock->body_length_mm;
      found["body_radius_mm"] = scene_.lock->body_radius_mm;
    }
    for (std::size_t i = 0; i < robot_.layout.station_mm.size(); ++i) {
      found[fmt::format("station_mm/{}", i)] = robot_.layout.station_mm[i];
      found[fmt::format("clock_deg/{}", i)] = robot_.layout.clock_rad[i] * 180 / kPi;
    }
    for (const auto& [name, said] : plan_.segment) {
      const auto known = found.find(name);
      if (known == found.end() || !same(said, known->second)) note("segment {}: {}", name, said);
    }
  }

  // What drawn benches said is checked by draws of their own elsewhere (plain_stand.h); here, that it can be.
  void benches() {
    const auto& said = plan_.summary.numbers;
    const auto share = said.find("chance_to_fail");
    const auto high = said.find("chance_to_fail_high");
    if ((share == said.end()) != (high == said.end()))
      return note("summary: one chance to fail without the other");
    if (share != said.end() && !(0 <= share->second && share->second <= high->second && high->second <= 1))
      note("summary chance_to_fail: {} at most {}", share->second, high->second);
    if (const auto reserve = said.find("reserve"); reserve != said.end() && !(reserve->second >= 0))
      note("summary reserve: {}", reserve->second);
  }

  void nothing_unexamined() {
    static const std::set<std::string> bounded_or_counted = {
        "locks_used", "actions", "clearance_slack_mm", "chance_to_fail", "chance_to_fail_high", "reserve"};
    for (const auto& [name, value] : plan_.summary.numbers) {
      if (!recomputed_.count(name) && !bounded_or_counted.count(name))
        note("summary {}: {}, and nothing here recomputes it", name, value);
    }
  }

  const ListedPlan& plan_;
  int most_samples_;
  std::set<std::string> recomputed_;  // numbers of the summary
  double least_reserve_ = std::numeric_limits<double>::infinity();
  Robot robot_;
  const Scene& scene_;
  Wall wall_;
  std::map<Key, Sampled> sampled_;
  double hunt_clearance_ = std::numeric_limits<double>::infinity();  // least of all sweeps
  bool missing_hunt_ = false;
  std::vector<std::string> faults_;
};

}  // namespace

std::vector<std::string> replay_plan(const std::string& scene_path, const std::string& plan_path,
                                     int most_samples) {
  try {
    const Scene scene = read_scene(scene_path);
    const ListedPlan plan = read_plan(plan_path);
    if (plan.format != "withy-plan" || plan.version != 1) return {"plan: format or version"};
    if (plan.verdict != "reached") return {"plan: verdict is " + plan.verdict};
    if (plan.scene_sha256 != sha256_of(scene_path)) return {"plan: made of another scene"};
    if (plan.mesh_sha256 != sha256_of(scene.mesh_path)) return {"plan: made with another mesh"};
    return Replay(scene, plan, most_samples).run();
  } catch (const std::exception& fault) {
    return {std::string("not readable: ") + fault.what()};
  }
}

}  // namespace withy_plain
