// SPDX-License-Identifier: GPL-3.0-or-later
// The plan replay is itself put to the test: plans worked out by hand in the plane stand, and every way of
// spoiling one is found.
//
// The channel is an open box 120 x 120 x 150 mm, so that clearances are plane geometry. The segment bends in
// the local x-z plane only; its entry frame is turned in the scene (entry x, y, z are scene z, x, y).
#include "tests/support/plain_replay.h"

#include <cmath>
#include <filesystem>
#include <fstream>
#include <functional>
#include <optional>
#include <string>
#include <vector>

#include <catch2/catch.hpp>
#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include "tests/support/plain_channels.h"
#include "tests/support/temporary_folder.h"

namespace {

using nlohmann::json;

constexpr double kLength = 80, kRadius = 1.5, kLockRadius = 1.8, kStation = 40, kHalfLock = 2, kTip = 4;
constexpr double kHalfWidth = 60, kDepth = 150, kRigidity = 900, kPitchRadius = 1.2, kPretension = 0.2,
                 kFriction = 0.1;
constexpr double kUnderstated = 0.01;                    // what the hand plan leaves as slack
const double kNotchBend = 0.5 / (1.2 / std::sqrt(2.0));  // one notch on four diagonal backbones (rad)

const char* kScene = R"(title = "box"
[channel]
mesh = "box.off"
unit = "mm"
outlets = "closed"
[entry]
point_mm = [10.0, 20.0, 30.0]
axis = [0.0, 1.0, 0.0]
x_axis = [0.0, 0.0, 1.0]
opening_radius_mm = 90.0
[target]
point_mm = [TARGET]
tolerance_mm = 1.0
direction = [DIRECTION]
direction_tolerance_deg = 5.0
[clearance]
required_mm = REQUIRED
[segment]
length_mm = 80.0
radius_mm = 1.5
tip_rigid_mm = 4.0
curvature_max_per_mm = 0.03
flexural_rigidity_Nmm2 = 900.0
[lock]
body_length_mm = 4.0
body_radius_mm = 1.8
magnet_Am2 = 0.004
angle_free_deg = 0.0
angle_latched_deg = 90.0
switch_torque_Nmm = 0.01
hold_torque_Nmm = 0.004
hold_moment_Nmm = HOLD
[layout]
use = 1
[layout.1]
station_mm = [40.0]
clock_deg = [0.0]
[latch]
notch_pitch_mm = 0.5
backbone_radius_mm = 1.2
backbone_angles_deg = [45.0, 135.0, 225.0, 315.0]
engage_window_mm = 0.02
backlash_mm = 0.02
[tendons]
radius_mm = 1.2
angles_deg = [0.0, 90.0, 180.0, 270.0]
disk_spacing_mm = 0.0
stroke_max_mm = STROKE
tension_min_N = 0.2
tension_max_N = TENSION
friction_coefficient = 0.1
motors = "ride"
[carriage]
kind = "CARRIAGE"
insertion_max_mm = INSERTION
[field]
strength_max_mT = STRENGTH
reserve_wanted = 1.0
ambient_mT = 0.0
coil_mT_per_A = [1.8, 1.8, 1.8]
coil_axes = [[1,0,0],[0,1,0],[0,0,1]]
[actuation]
advance = "Z"
tendons = ["A", "B", "C", "U"]
rates = { advance_mm_per_s = 2.0, tendon_mm_per_s = 1.0, field_settle_s = 1.0 }
)";

// One state of a plane plan: curvature (in x) proximal and distal of the lock.
struct Hand {
  double d = 0;
  bool locked = false;
  double proximal = 0, distal = 0;
};

struct Plane {
  double x = 0, z = 0, angle = 0;
  void go(double kappa, double l) {
    const double after = angle + kappa * l;
    if (kappa == 0) {
      x += l * std::sin(angle), z += l * std::cos(angle);
    } else {
      x += (std::cos(angle) - std::cos(after)) / kappa, z += (std::sin(after) - std::sin(angle)) / kappa;
    }
    angle = after;
  }
};

struct HandScene {
  bool guide = false;
  double exposed_from(double d) const { return guide ? std::max(0.0, kLength - d) : 0.0; }

  // Plane pose at station s, from the base along exposed arc, lock span and tip.
  Plane at(const Hand& h, double s) const {
    Plane p{0, h.d - kLength, 0};
    if (s <= 0) {
      p.z += s;
      return p;
    }
    const double out = exposed_from(h.d);
    const double ends[] = {kStation - kHalfLock, kStation + kHalfLock, kLength - kTip, kLength};
    const double kappa[] = {h.proximal, 0, h.distal, 0};
    double from = 0;
    for (int k = 0; k < 4 && from < s; ++k) {
      const double to = std::min(ends[k], s);
      const double hidden = std::clamp(out - from, 0.0, to - from);
      p.go(0, hidden);
      p.go(kappa[k], to - from - hidden);
      from = ends[k];
    }
    return p;
  }
  double proximal_length(double d) const { return std::max(0.0, 38 - std::max(0.0, exposed_from(d))); }
  double distal_length(double d) const { return std::max(0.0, 76 - std::max(42.0, exposed_from(d))); }
  double proximal_bend(const Hand& h) const { return h.proximal * proximal_length(h.d); }
  double distal_bend(const Hand& h) const { return h.distal * distal_length(h.d); }

  Hand between(const Hand& a, const Hand& b, double t) const {
    Hand h = a;
    h.d += t * (b.d - a.d);
    h.distal += t * (b.distal - a.distal);
    if (!a.locked) {
      h.proximal = h.distal;
    } else if (guide) {
      h.proximal = proximal_bend(a) / proximal_length(h.d);
    }
    return h;
  }

  // Box clearance over a motion, by fine sampling of the plane curve; nothing when it never passes the entry
  // plane.
  std::optional<double> clearance(const Hand& a, const Hand& b) const {
    std::optional<double> least;
    for (int i = 0; i <= 100; ++i) {
      const Hand h = between(a, b, i / 100.0);
      for (double s = kLength; s >= std::min(0.0, kLength - h.d); s -= 0.1) {
        const Plane p = at(h, s);
        const double R = std::abs(s - kStation) <= kHalfLock ? kLockRadius : kRadius;
        if (p.z <= 0) continue;
        const double c = std::min(kHalfWidth - std::abs(p.x), kDepth - p.z) - R;
        least = std::min(least.value_or(c), c);
      }
    }
    return least;
  }
};

json scene_vector(double x_E, double y_E, double z_E) {
  return json::array({y_E, z_E, x_E});
}

json regions(const Hand& h) {
  const auto region = [](double from, double to, double u) {
    return json{{"from_mm", from}, {"to_mm", to}, {"curvature_per_mm", {u, 0.0}}};
  };
  if (!h.locked) return json::array({region(0, kLength, h.distal)});
  return json::array({region(0, kStation, h.proximal), region(kStation, kLength, h.distal)});
}

json or_null(const std::optional<double>& value) {
  return value ? json(*value) : json();
}

// What the lock carries at friction's worst (capstan equation, each tendon sliding either way): in the plane
// the two tendons that bend pull hardest one way, across it the other two differ as much as they can.
double lock_load(const HandScene& scene, const Hand& h) {
  const double F = std::exp(kFriction * (std::abs(scene.proximal_bend(h)) + std::abs(scene.distal_bend(h))));
  const double moment = kRigidity * h.distal / kPitchRadius, held = kRigidity * h.proximal;
  const double inner = kPretension + std::max(0.0, moment), outer = kPretension + std::max(0.0, -moment);
  const double most = kPitchRadius * (inner * F - outer / F) - held;
  const double least = kPitchRadius * (inner / F - outer * F) - held;
  const double across = kPitchRadius * kPretension * (F - 1 / F);
  return std::hypot(std::max(std::abs(most), std::abs(least)), across);
}

json state(const HandScene& scene, const Hand& h) {
  const double bend = scene.proximal_bend(h) + scene.distal_bend(h);
  const double wrapped = std::abs(scene.proximal_bend(h)) + std::abs(scene.distal_bend(h));
  const double friction = std::exp(kFriction * wrapped), moment = kRigidity * h.distal / kPitchRadius;
  const Plane tip = scene.at(h, kLength);
  std::optional<double> clearance = scene.clearance(h, h);
  if (clearance) *clearance -= kUnderstated;
  return {{"insertion_mm", h.d},
          {"locked", {h.locked}},
          {"regions", regions(h)},
          {"pull_mm", {kPitchRadius * bend, 0.0, -kPitchRadius * bend, 0.0}},
          {"tension_N",
           {(kPretension + std::max(0.0, moment)) * friction, kPretension * friction,
            (kPretension + std::max(0.0, -moment)) * friction, kPretension * friction}},
          {"tip_mm", {10 + 0.0, 20 + tip.z, 30 + tip.x}},
          {"clearance_mm", or_null(clearance)},
          {"lock_moment_Nmm", {h.locked ? lock_load(scene, h) : 0.0}}};
}

struct Step {
  std::string kind, leg;
  int from, to;
};

json action(const HandScene& scene, const std::vector<Hand>& states, const Step& step) {
  const Hand &a = states[static_cast<std::size_t>(step.from)], &b = states[static_cast<std::size_t>(step.to)];
  std::optional<double> clearance = scene.clearance(a, a.locked == b.locked ? b : a);
  if (clearance) *clearance -= kUnderstated;
  json out{{"kind", step.kind},
           {"leg", step.leg},
           {"from", step.from},
           {"to", step.to},
           {"clearance_mm", or_null(clearance)}};
  if (a.locked != b.locked) {
    // One lock, quarter-turn stroke, tau / m = 2.5 mT: B = 2.5 (-x + y) in the lock's frame to lock, the
    // opposite to unlock.
    const double angle = scene.at(a, kStation).angle, sign = b.locked ? 2.5 : -2.5;
    const double x_E = -sign * std::cos(angle), y_E = sign, z_E = sign * std::sin(angle);
    out["lock"] = 1;
    out["field_mT"] = scene_vector(x_E, y_E, z_E);
    out["current_A"] = {y_E / 1.8, z_E / 1.8, x_E / 1.8};
    out["field_reserve"] = 1.0;
  }
  return out;
}

struct HandPlan {
  HandScene scene;
  std::vector<Hand> states;
  std::vector<Step> steps;
  int reached = 0;
  std::string required = "0.2", hold = "60.0", stroke = "8.0", tension = "15.0", insertion = "160.0",
              strength = "10.0";
};

// In: advance, bend onto a notch, lock, bend the rest back, steer on. Out: the reverse.
HandPlan free_plan() {
  HandPlan plan;
  const double k = kNotchBend / 38;
  plan.states = {{0, false, 0, 0}, {80, false, 0, 0},    {80, false, k, k},
                 {80, true, k, k}, {80, true, k, -0.01}, {90, true, k, -0.012}};
  plan.steps = {{"advance", "in", 0, 1}, {"bend", "in", 1, 2},    {"lock", "in", 2, 3},
                {"bend", "in", 3, 4},    {"steer", "in", 4, 5},   {"steer", "out", 5, 4},
                {"bend", "out", 4, 3},   {"unlock", "out", 3, 2}, {"bend", "out", 2, 1},
                {"advance", "out", 1, 0}};
  plan.reached = 5;
  return plan;
}

// The same with the guide: the frozen region goes back into the guide by 10 mm and tightens.
HandPlan guide_plan() {
  HandPlan plan = free_plan();
  plan.scene.guide = true;
  plan.states[5] = {70, true, kNotchBend / 28, -0.01};
  for (std::size_t k : {4u, 5u}) plan.steps[k].kind = "advance";
  return plan;
}

double duration(const HandPlan& plan) {
  double total = 0;
  for (const Step& step : plan.steps) {
    const Hand &a = plan.states[static_cast<std::size_t>(step.from)],
               &b = plan.states[static_cast<std::size_t>(step.to)];
    const auto bend = [&](const Hand& h) { return plan.scene.proximal_bend(h) + plan.scene.distal_bend(h); };
    total += a.locked != b.locked
                 ? 1.0
                 : std::max(std::abs(b.d - a.d) / 2.0, kPitchRadius * std::abs(bend(b) - bend(a)));
  }
  return total;
}

json summary(const HandPlan& plan, const json& states, const json& actions) {
  double clearance = INFINITY, pull = 0, tension = 0;
  for (const json& a : actions) {
    if (!a["clearance_mm"].is_null()) clearance = std::min(clearance, a["clearance_mm"].get<double>());
  }
  for (const json& s : states) {
    for (const json& p : s["pull_mm"]) pull = std::max(pull, std::abs(p.get<double>()));
    for (const json& T : s["tension_N"]) tension = std::max(tension, T.get<double>());
  }
  return {{"locks_used", 1},
          {"actions", plan.steps.size()},
          {"clearance_mm", clearance},
          {"clearance_slack_mm", 0.04},
          {"tip_error_mm", 0.5},
          {"tip_direction_error_deg", 2.0},
          {"tension_max_N", tension},
          {"pull_max_mm", pull},
          {"field_max_mT", 2.5 * std::sqrt(2.0)},
          {"field_reserve", 1.0},
          {"duration_s", duration(plan)},
          {"preset", false}};
}

void fill(std::string& text, const std::string& word, const std::string& value) {
  text.replace(text.find(word), word.size(), value);
}

std::string scene_text(const HandPlan& plan) {
  // The target is half a millimetre across the plane from the tip and two degrees off its direction.
  const Plane tip = plan.scene.at(plan.states[static_cast<std::size_t>(plan.reached)], kLength);
  const double two_degrees = 2 * 3.14159265358979323846 / 180;
  std::string text = kScene;
  fill(text, "TARGET", fmt::format("{}, {}, {}", 10.5, 20 + tip.z, 30 + tip.x));
  fill(text, "DIRECTION",
       fmt::format("{}, {}, {}", std::sin(two_degrees), std::cos(two_degrees) * std::cos(tip.angle),
                   std::cos(two_degrees) * std::sin(tip.angle)));
  fill(text, "REQUIRED", plan.required);
  fill(text, "HOLD", plan.hold);
  fill(text, "STROKE", plan.stroke);
  fill(text, "TENSION", plan.tension);
  fill(text, "CARRIAGE", plan.scene.guide ? "guide" : "free");
  fill(text, "INSERTION", plan.insertion);
  fill(text, "STRENGTH", plan.strength);
  return text;
}

std::string hash(const std::string& path) {
  const std::string out = path + ".sha256";
  REQUIRE(std::system(("sha256sum '" + path + "' > '" + out + "'").c_str()) == 0);
  std::ifstream in(out);
  std::string digest;
  in >> digest;
  return digest;
}

class Folder {
 public:
  Folder() {
    withy_plain::Mesh box = withy_plain::box_channel(kHalfWidth, kDepth);
    for (Eigen::Vector3d& p : box.points) p = Eigen::Vector3d(10 + p.y(), 20 + p.z(), 30 + p.x());
    withy_plain::write_off(box, file("box.off"));
  }
  std::string file(const std::string& name) const { return (folder_.path() / name).string(); }

 private:
  withy_test::TemporaryFolder folder_;
};

json plan_json(const HandPlan& plan, const Folder& folder) {
  std::ofstream(folder.file("scene.toml")) << scene_text(plan);
  json out{{"format", "withy-plan"},
           {"version", 1},
           {"verdict", "reached"},
           {"why", "worked out by hand"},
           {"checked", {"clearance", "latch", "tendons", "field"}},
           {"not_checked", json::array()},
           {"locks", 1},
           {"seed", 1},
           {"seconds", 0.0}};
  out["scene"] = {{"sha256", hash(folder.file("scene.toml"))}, {"mesh_sha256", hash(folder.file("box.off"))}};
  out["states"] = json::array();
  for (const Hand& h : plan.states) out["states"].push_back(state(plan.scene, h));
  out["actions"] = json::array();
  for (const Step& step : plan.steps) out["actions"].push_back(action(plan.scene, plan.states, step));
  out["summary"] = summary(plan, out["states"], out["actions"]);
  return out;
}

std::vector<std::string> replayed(const json& plan, const Folder& folder) {
  std::ofstream(folder.file("plan.json")) << plan.dump(1);
  return withy_plain::replay_plan(folder.file("scene.toml"), folder.file("plan.json"));
}

std::string joined(const std::vector<std::string>& faults) {
  std::string all;
  for (const std::string& fault : faults) all += fault + "\n";
  return all;
}

// Every spoilt plan must be found out, and for the reason it was spoilt.
void found_out(const std::string& how, const std::vector<std::string>& faults, const std::string& because) {
  CAPTURE(how, because, joined(faults));
  CHECK_FALSE(faults.empty());
  CHECK(joined(faults).find(because) != std::string::npos);
}

using Spoil = std::function<void(json&)>;

}  // namespace

TEST_CASE("plain: a plan worked out by hand for the free carriage stands") {
  const Folder folder;
  CHECK(joined(replayed(plan_json(free_plan(), folder), folder)) == "");
}

TEST_CASE("plain: a plan worked out by hand for the guide stands") {
  const Folder folder;
  CHECK(joined(replayed(plan_json(guide_plan(), folder), folder)) == "");
}

TEST_CASE("plain: a plan file spoilt in one place is found out") {
  const Folder folder;
  const json good = plan_json(free_plan(), folder);
  struct Case {
    std::string how;
    Spoil spoil;
    std::string because;
  };
  const std::vector<Case> cases = {
      {"wrong tip",
       [](json& p) { p["states"][5]["tip_mm"][1] = p["states"][5]["tip_mm"][1].get<double>() + 1e-5; },
       "state 5 tip_mm"},
      {"jump between states", [](json& p) { p["states"][4]["insertion_mm"] = 80.001; },
       "action 3 (bend): insertion moves"},
      {"a state that no action reaches", [](json& p) { p["actions"][3]["from"] = 2; },
       "action 3: starts at state 2"},
      {"state index out of range", [](json& p) { p["actions"][3]["to"] = 6; }, "state out of range"},
      {"clearance of a motion overstated",
       [](json& p) {
         p["actions"][1]["clearance_mm"] = p["actions"][1]["clearance_mm"].get<double>() + 0.0101;
       },
       "overstated"},
      {"clearance of a state overstated",
       [](json& p) {
         p["states"][5]["clearance_mm"] = p["states"][5]["clearance_mm"].get<double>() + 0.0101;
       },
       "state 5: clearance"},
      {"clearance understated",
       [](json& p) {
         p["actions"][4]["clearance_mm"] = p["actions"][4]["clearance_mm"].get<double>() - 0.05;
       },
       "understated"},
      {"clearance kept quiet", [](json& p) { p["actions"][1]["clearance_mm"] = nullptr; }, "clearance null"},
      {"clearance invented outside the channel", [](json& p) { p["states"][0]["clearance_mm"] = 58.5; },
       "understated"},
      {"frozen region moves in a bend",
       [](json& p) {
         auto& u = p["states"][4]["regions"][0]["curvature_per_mm"][0];
         u = u.get<double>() * 1.001;
       },
       "frozen region 0 moves"},
      {"free region moves when the lock engages",
       [](json& p) {
         auto& u = p["states"][3]["regions"][1]["curvature_per_mm"][0];
         u = u.get<double>() + 1e-6;
       },
       "changes by"},
      {"out leg missing", [](json& p) { p["actions"].erase(p["actions"].begin() + 5, p["actions"].end()); },
       "no out leg"},
      {"out leg stops short of the start", [](json& p) { p["actions"].erase(p["actions"].end() - 1); },
       "end: insertion"},
      {"in leg after out leg", [](json& p) { p["actions"][6]["leg"] = "in"; }, "in after out"},
      {"starts bent", [](json& p) { p["states"][0]["regions"][0]["curvature_per_mm"][0] = 0.001; },
       "start: not straight"},
      {"starts inside", [](json& p) { p["states"][0]["insertion_mm"] = 1.0; }, "start: insertion"},
      {"bend called advance", [](json& p) { p["actions"][1]["kind"] = "advance"; }, "the free region bends"},
      {"steer called bend", [](json& p) { p["actions"][4]["kind"] = "bend"; }, "insertion moves"},
      {"lock called bend", [](json& p) { p["actions"][2]["kind"] = "bend"; }, "a lock changes"},
      {"no such kind", [](json& p) { p["actions"][1]["kind"] = "twist"; }, "no such kind"},
      {"wrong lock named", [](json& p) { p["actions"][2]["lock"] = 2; }, "no such lock"},
      {"unlock called lock", [](json& p) { p["actions"][7]["kind"] = "lock"; }, "there already"},
      {"regions overlap", [](json& p) { p["states"][4]["regions"][0]["to_mm"] = 41.0; }, "state 4: region 0"},
      {"region missing", [](json& p) { p["states"][4]["regions"].erase(0); }, "state 4: 1 regions"},
      {"lock list too long", [](json& p) { p["states"][4]["locked"].push_back(false); }, "state 4: 2 locks"},
      {"pull",
       [](json& p) { p["states"][5]["pull_mm"][2] = p["states"][5]["pull_mm"][2].get<double>() + 2e-6; },
       "state 5 pull_mm"},
      {"tension",
       [](json& p) { p["states"][5]["tension_N"][1] = p["states"][5]["tension_N"][1].get<double>() + 2e-6; },
       "state 5 tension_N"},
      {"lock moment",
       [](json& p) {
         p["states"][5]["lock_moment_Nmm"][0] = p["states"][5]["lock_moment_Nmm"][0].get<double>() + 2e-6;
       },
       "state 5 lock_moment"},
      {"field too weak",
       [](json& p) {
         for (const char* key : {"field_mT", "current_A"})
           for (auto& b : p["actions"][2][key]) b = b.get<double>() * 0.999;
       },
       "a reserve of 0.999"},
      {"field not the least",
       [](json& p) {
         for (const char* key : {"field_mT", "current_A"})
           for (auto& b : p["actions"][2][key]) b = b.get<double>() * 1.001;
       },
       "action 2 (lock) current_A"},
      {"field that the currents don't make",
       [](json& p) { p["actions"][2]["field_mT"][0] = p["actions"][2]["field_mT"][0].get<double>() + 2e-6; },
       "action 2 (lock) field_mT"},
      {"reserve overstated", [](json& p) { p["actions"][2]["field_reserve"] = 1.5; }, "field_reserve 1.5"},
      {"reserve left out", [](json& p) { p["actions"][7].erase("field_reserve"); }, "no reserve"},
      {"least reserve", [](json& p) { p["summary"]["field_reserve"] = 2.0; }, "summary field_reserve"},
      {"field left out", [](json& p) { p["actions"][7].erase("field_mT"); }, "no field"},
      {"current",
       [](json& p) {
         auto& i = p["actions"][7]["current_A"][0];
         i = i.get<double>() + 2e-6;
       },
       "current_A"},
      {"tip error", [](json& p) { p["summary"]["tip_error_mm"] = 0.4; }, "summary tip_error_mm"},
      {"tip direction error", [](json& p) { p["summary"]["tip_direction_error_deg"] = 1.9; },
       "tip_direction_error_deg"},
      {"largest tension", [](json& p) { p["summary"]["tension_max_N"] = 4.0; }, "tension_max_N"},
      {"largest pull", [](json& p) { p["summary"]["pull_max_mm"] = 1.0; }, "pull_max_mm"},
      {"largest field", [](json& p) { p["summary"]["field_max_mT"] = 3.0; }, "field_max_mT"},
      {"duration", [](json& p) { p["summary"]["duration_s"] = 100.0; }, "duration_s"},
      {"count of actions", [](json& p) { p["summary"]["actions"] = 9; }, "summary actions"},
      {"locks used", [](json& p) { p["summary"]["locks_used"] = 0; }, "locks_used"},
      {"preset", [](json& p) { p["summary"]["preset"] = true; }, "preset"},
      {"least clearance", [](json& p) { p["summary"]["clearance_mm"] = 30.0; }, "summary clearance_mm"},
      {"margin of tension", [](json& p) { p["summary"]["tension_margin_N"] = 9.0; }, "tension_margin_N"},
      {"limit of tension", [](json& p) { p["summary"]["tension_limit_N"] = 16.0; }, "tension_limit_N"},
      {"margin of clearance", [](json& p) { p["summary"]["clearance_margin_mm"] = 3.0; },
       "clearance_margin_mm"},
      {"tip shift by backlash", [](json& p) { p["summary"]["backlash_tip_shift_mm"] = 0.0; },
       "backlash_tip_shift_mm"},
      {"slack beyond what is allowed", [](json& p) { p["summary"]["clearance_slack_mm"] = 0.06; },
       "clearance_slack_mm"},
      {"tolerance of the target", [](json& p) { p["summary"]["tip_tolerance_mm"] = 1e3; },
       "tip_tolerance_mm"},
      {"a number that nobody knows", [](json& p) { p["summary"]["tip_force_N"] = 0.1; },
       "nothing here recomputes it"},
      {"length of the segment", [](json& p) { p["segment"]["length_mm"] = 1e3; }, "segment length_mm"},
      {"station of a lock", [](json& p) { p["segment"]["station_mm"] = {1e3}; }, "segment station_mm/0"},
      {"what was checked", [](json& p) { p["not_checked"] = {"latch"}; }, "latch"},
      {"another scene", [](json& p) { p["scene"]["sha256"] = std::string(64, '0'); }, "another scene"},
      {"another mesh", [](json& p) { p["scene"]["mesh_sha256"] = std::string(64, '0'); }, "another mesh"},
      {"verdict", [](json& p) { p["verdict"] = "undecided"; }, "verdict is undecided"},
      {"states missing", [](json& p) { p.erase("states"); }, "not readable"},
  };
  for (const Case& c : cases) {
    json spoilt = good;
    c.spoil(spoilt);
    found_out(c.how, replayed(spoilt, folder), c.because);
  }
}

TEST_CASE("plain: a plan that breaks a rule but adds up is found out") {
  const Folder folder;
  const auto check = [&](const std::string& how, const HandPlan& plan, const std::string& because) {
    found_out(how, replayed(plan_json(plan, folder), folder), because);
  };
  HandPlan plan = free_plan();
  for (std::size_t k = 2; k < 6; ++k) plan.states[k].proximal *= 1.05;
  for (std::size_t k = 2; k < 4; ++k) plan.states[k].distal *= 1.05;
  check("latched off the notches", plan, "off the notches");

  plan = free_plan();
  for (std::size_t k = 2; k < 6; ++k) plan.states[k].proximal *= 1.01;
  for (std::size_t k = 2; k < 4; ++k) plan.states[k].distal *= 1.01;
  check("within the window, which is the bench's, but not on the notches", plan, "off the notches");

  plan = free_plan();
  plan.states.push_back({80, false, -0.01, -0.01});
  plan.steps[6] = {"unlock", "out", 4, 6};
  plan.steps[7] = {"bend", "out", 6, 1};
  plan.steps.erase(plan.steps.begin() + 8);
  check("unlocked between unequal curvatures", plan, "across the lock");

  plan = free_plan();
  plan.states[5].distal = -0.031;
  check("bent past the limit", plan, "curvature 0.031");

  plan = guide_plan();
  plan.states[5] = {60, true, kNotchBend / 18, -0.01};
  check("a frozen region drawn too far into the guide", plan, "curvature 0.032");

  plan = guide_plan();
  plan.states[5].proximal = kNotchBend / 38;
  check("a frozen region in the guide that keeps its curvature instead of its angle", plan,
        "frozen region 0 moves");

  plan = free_plan();
  plan.insertion = "85.0";
  check("inserted too far", plan, "outside [0, 85]");

  plan = free_plan();
  plan.required = "58.0";
  check("less clearance than required", plan, "below the required");

  plan = free_plan();
  plan.hold = "20.0";
  check("lock overloaded", plan, "lock moment");

  plan = free_plan();
  plan.stroke = "1.0";
  check("stroke too short", plan, "above 1");

  plan = free_plan();
  plan.tension = "10.0";
  check("tendon overloaded", plan, "above 10");

  plan = free_plan();
  plan.strength = "3.5";
  check("field too strong for the coils", plan, "above their limit");

  plan = free_plan();
  plan.reached = 4;
  check("target missed", plan, "target: tip is");
}
