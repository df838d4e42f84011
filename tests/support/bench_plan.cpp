// SPDX-License-Identifier: GPL-3.0-or-later
#include "tests/support/bench_plan.h"

#include <algorithm>
#include <cmath>
#include <stdexcept>
#include <utility>
#include <vector>

#include <fmt/format.h>

#include "geometry/channel/wall_distance.h"
#include "geometry/numbers/numbers.h"
#include "planner/plan/figures.h"
#include "planner/plan/lock_hunt.h"
#include "planner/script/script.h"
#include "planner/segment/field.h"
#include "planner/segment/hardware.h"
#include "planner/segment/shape.h"
#include "tests/support/plain_channels.h"

namespace withy_test {
namespace {

// One notch on four diagonal backbones: a slide of the pitch, 0.5 mm, at radius 1.2 mm and 45 degrees (rad).
const double kNotchBend = 0.5 * std::sqrt(2.0) / 1.2;

const char* const kScene = R"toml(title = "bench box (test)"
[channel]
mesh = "box.off"
unit = "mm"
outlets = "closed"
[entry]
point_mm = [0.0, 0.0, 0.0]
axis = [0.0, 0.0, 1.0]
x_axis = [0.6, 0.8, 0.0]
opening_radius_mm = 110.0
[target]
point_mm = [{target}]
tolerance_mm = 1.0
[clearance]
required_mm = {clearance}
[segment]
length_mm = 100.0
radius_mm = 1.5
tip_rigid_mm = 3.0
curvature_max_per_mm = 0.04
flexural_rigidity_Nmm2 = 900.0
[lock]
body_length_mm = 4.0
body_radius_mm = 1.8
magnet_Am2 = 0.004
angle_free_deg = 0.0
angle_latched_deg = 90.0
switch_torque_Nmm = 0.01
hold_torque_Nmm = 0.004
hold_moment_Nmm = 60.0
[layout]
use = 1
[layout.1]
station_mm = [50.0]
clock_deg = [33.0]
{latch}
[tendons]
radius_mm = 1.2
angles_deg = [{angles}]
disk_spacing_mm = {disks}
stroke_max_mm = {stroke}
tension_min_N = 0.2
tension_max_N = 30.0
friction_coefficient = 0.1
motors = "{motors}"
[carriage]
kind = "{carriage}"
insertion_max_mm = 160.0
{field}
{actuation}
)toml";

const char* const kLatch = R"([latch]
notch_pitch_mm = 0.5
backbone_radius_mm = 1.2
backbone_angles_deg = [45.0, 135.0, 225.0, 315.0]
engage_window_mm = 0.02
backlash_mm = 0.02
)";

/// A uniform field. A sweep turns the lock away from the planned pose, so a hunt needs a reserve above 1.
std::string field_table(double hunt_mm) {
  return fmt::format(R"([field]
strength_max_mT = 12.0
coil_mT_per_A = [1.8, 1.5, 2.1]
coil_axes = [[0, 1, 0], [0, 0, 1], [1, 0, 0]]
reserve_wanted = {:.1f}
)",
                     hunt_mm > 0.0 ? 1.5 : 1.0);
}

std::string hunt_line(double hunt_mm) {
  return hunt_mm > 0.0 ? fmt::format("hunt_mm = {}\n", hunt_mm) : "";
}

// Four coils that look at the entry from the corners of a tetrahedron.
const char* const kCoils = R"([field]
strength_max_mT = 12.0
[[field.coil]]
centre_mm = [150.0, 150.0, 150.0]
axis = [1.0, 1.0, 1.0]
radius_mm = 180.0
turns = 400.0
resistance_ohm = 3.0
[[field.coil]]
centre_mm = [150.0, -150.0, -150.0]
axis = [1.0, -1.0, -1.0]
radius_mm = 180.0
turns = 400.0
resistance_ohm = 3.0
[[field.coil]]
centre_mm = [-150.0, 150.0, -150.0]
axis = [-1.0, 1.0, -1.0]
radius_mm = 180.0
turns = 400.0
resistance_ohm = 3.0
[[field.coil]]
centre_mm = [-150.0, -150.0, 150.0]
axis = [-1.0, -1.0, 1.0]
radius_mm = 180.0
turns = 400.0
resistance_ohm = 3.0
)";

std::string actuation_table(const std::string& axes, bool coils) {
  return fmt::format(R"([actuation]
advance = "Z"
tendons = [{}]
{}rates = {{ advance_mm_per_s = 2.0, tendon_mm_per_s = 1.0, field_settle_s = 1.5 }}
)",
                     axes, coils ? "coils = [\"X\", \"Y\", \"V\", \"W\"]\n" : "");
}

std::string placeholders_filled(std::string text,
                                const std::vector<std::pair<std::string, std::string>>& values) {
  for (const auto& [name, value] : values) text.replace(text.find(name), name.size(), value);
  return text;
}

template <class T>
T value_or_throw(withy::Result<T> result) {
  if (!result) throw std::runtime_error(result.error().message());
  return std::move(*result);
}

}  // namespace

Bench::Bench(const BenchOptions& options) {
  withy_plain::write_off(withy_plain::box_channel(options.half_width_mm, options.depth_mm),
                         (folder() / "box.off").string());
  // Once to learn where the plan's tip comes to, once with the target there.
  write_scene(options, Eigen::Vector3d(0.0, 0.0, 60.0));
  read();
  work_out(options.guide);
  const withy::State reached = plan_.states[static_cast<std::size_t>(plan_.reached_state)];
  const Eigen::Vector3d tip = scene_->entry.X_SE * withy::Shape(*design_, reached).tip_E().translation();
  write_scene(options, tip + Eigen::Vector3d(0.3, 0.0, 0.0));
  read();
}

void Bench::write_scene(const BenchOptions& options, const Eigen::Vector3d& target_S) const {
  const std::string text = placeholders_filled(
      kScene, {{"{target}", fmt::format("{}, {}, {}", target_S.x(), target_S.y(), target_S.z())},
               {"{clearance}", fmt::format("{}", options.required_clearance_mm)},
               {"{latch}", options.latch ? kLatch + hunt_line(options.hunt_mm) : ""},
               {"{angles}", options.tendon_angles},
               {"{disks}", fmt::format("{}", options.disk_spacing_mm)},
               {"{stroke}", options.standing_motors ? "200.0" : "8.0"},
               {"{motors}", options.standing_motors ? "stand" : "ride"},
               {"{carriage}", options.guide ? "guide" : "free"},
               {"{field}", options.coils   ? kCoils
                           : options.field ? field_table(options.hunt_mm)
                                           : ""},
               {"{actuation}", options.actuation ? actuation_table(options.axes, options.coils) : ""}});
  write_text(scene_file(), text);
}

void Bench::read() {
  scene_ = std::make_unique<withy::Scene>(value_or_throw(withy::read_scene(scene_file())));
  design_ = std::make_unique<withy::Design>(value_or_throw(scene_->design(1)));
  const auto channel = value_or_throw(withy::read_channel(*scene_));
  distance_ = std::make_unique<withy::ChannelDistance>(std::make_shared<const withy::WallDistance>(channel));
  verifier_ = std::make_unique<withy::MotionVerifier>(*design_, *distance_);
}

void Bench::act(withy::ActionKind kind, withy::State to, int which) {
  using enum withy::ActionKind;
  withy::PlannedAction action;
  action.kind = kind;
  action.from = static_cast<int>(plan_.states.size()) - 1;
  action.to = action.from + 1;
  action.lock = which;
  const withy::State& from = plan_.states.back();
  const bool motion = kind == advance || kind == bend || kind == steer;
  action.clearance_mm = motion ? verifier_->clearance(from, to).lower_mm : verifier_->clearance(to).lower_mm;
  if (!motion && design_->field()) {
    const auto choice = withy::choose_field(*design_, from, which);
    if (!choice) throw std::runtime_error("the bench's field does not switch its lock");
    action.field_S = choice->field_S;
    action.current_A.assign(choice->currents.current_A.begin(), choice->currents.current_A.end());
    action.field_reserve = choice->currents.reserve;
  }
  if (kind == lock && design_->latch() && design_->latch()->hunt_mm > 0.0) {
    const withy::Hardware hardware(*design_);
    const withy::Currents I =
        Eigen::Map<const Eigen::VectorXd>(action.current_A.data(), std::ssize(action.current_A));
    action.hunt = withy::judge_lock_hunt(*verifier_, &hardware, scene_->required_clearance_mm, from, which,
                                         action.field_S ? &I : nullptr);
  }
  add_state(std::move(to));
  plan_.actions.push_back(std::move(action));
}

void Bench::add_state(withy::State state) {
  const double clearance_mm = verifier_->clearance(state).lower_mm;
  plan_.states.push_back({{std::move(state)}, clearance_mm});
}

void Bench::work_out(bool guide) {
  using enum withy::ActionKind;
  plan_ = {};
  plan_.clearance_slack_mm = withy::kClearanceSlack_mm;
  withy::State at = withy::start_state();
  add_state(at);
  // The whole segment bends with one curvature; its proximal 48 mm (the lock's body takes 2 of 50) onto a
  // notch.
  const double frozen_per_mm = kNotchBend / 48.0;
  at.insertion_mm = guide ? 30.0 : 60.0;
  act(advance, at);
  if (guide) {
    at.insertion_mm = 100.0;
    at.u_free = {frozen_per_mm, 0.0};
    act(steer, at);
  } else {
    at.u_free = {frozen_per_mm, 0.0};
    act(bend, at);
  }
  act(lock, withy::after_lock(*design_, at, 0), 0);
  at = plan_.states.back();
  at.u_free = {-0.004, 0.01};
  act(bend, at);
  at.insertion_mm += 15.0;
  at.u_free.y() = 0.006;
  act(steer, at);
  plan_.reached_state = static_cast<int>(plan_.states.size()) - 1;
  go_back();
  plan_.clearance_mm = withy::kInfinity;
  for (const auto& action : plan_.actions)
    plan_.clearance_mm = std::min(plan_.clearance_mm, action.clearance_mm);
  withy::work_out_figures(withy::Hardware(*design_), plan_);
}

void Bench::go_back() {
  const auto way_in = plan_.actions;
  for (auto it = way_in.rbegin(); it != way_in.rend(); ++it) {
    auto kind = it->kind;
    if (kind == withy::ActionKind::lock) kind = withy::ActionKind::unlock;
    act(kind, plan_.states[static_cast<std::size_t>(it->from)], it->lock);
    plan_.actions.back().leg = withy::Leg::out;
  }
}

withy::Answer Bench::answer() const {
  withy::Answer answer;
  answer.verdict = withy::Verdict::reached;
  answer.why = "One lock, engaged on one notch, lets the tip come round.";
  answer.checked = {"clearance", "latch", "tendons", "field"};
  answer.locks = 1;
  answer.seed = 7;
  answer.seconds = 0.25;
  answer.plan = plan_;
  return answer;
}

std::string Bench::plan_text() const {
  return withy::write_plan({scene(), design(), answer(), "scene.toml", std::nullopt,
                            withy::plan_duration_s(scene(), design(), plan_)});
}

}  // namespace withy_test
