// SPDX-License-Identifier: GPL-3.0-or-later
// What `withy plan` says a plan stands, against benches that the tests' plain implementation draws.
#include <cstdio>
#include <cstdlib>
#include <map>

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include "tests/support/edited_scene.h"
#include "tests/support/plain_field.h"
#include "tests/support/plain_stand.h"
#include "tests/support/run_program.h"
#include "tests/support/temporary_folder.h"

using namespace withy_test;

namespace {

const std::filesystem::path kScenes = std::filesystem::path(WITHY_SOURCE_DIR) / "scenes";

/// Do two shares, each with a 95 % interval by the score of E. B. Wilson, "Probable inference, the law of
/// succession, and statistical inference", J. American Statistical Association 22, 1927, overlap? With
/// z = 2.81 each, which both hold at once 99 times of 100.
struct Interval {
  double low, high;
};
Interval wilson(int hits, int draws) {
  constexpr double z = 2.81;
  const double n = draws;
  const double p = hits / n;
  const double middle = (p + z * z / (2 * n)) / (1 + z * z / n);
  const double half = z / (1 + z * z / n) * std::sqrt(p * (1 - p) / n + z * z / (4 * n * n));
  return {middle - half, middle + half};
}
bool overlap(const Interval& a, const Interval& b) {
  return a.low <= b.high && b.low <= a.high;
}

Eigen::Vector3d middle(const withy_plain::Mesh& mesh) {
  Eigen::AlignedBox3d box;
  for (const auto& p : mesh.points) box.extend(p);
  return box.center();
}

/// Benches on which contact, field and limits are asked: WITHY_STAND_BENCHES, or few enough for a test.
int asked_slowly() {
  const char* said = std::getenv("WITHY_STAND_BENCHES");  // NOLINT(concurrency-mt-unsafe)
  return said != nullptr ? std::stoi(said) : 300;
}

struct Question {
  std::string scene, locks, prefer;
  std::map<std::string, std::string> edits = {};
};

/// A shipped scene whose tendons lie in one plane.
const std::map<std::string, std::string> kTwoTendons = {
    {"\nangles_deg = [0.0, 90.0, 180.0, 270.0]", "\nangles_deg = [0.0, 180.0]"},
    {"tendons = [\"A\", \"B\", \"C\", \"U\"]", "tendons = [\"A\", \"B\"]"}};

/// How far off its notches the elastic body is where locks engage, with the pulls that the scripts carry.
void count_slides(const nlohmann::json& said, withy_plain::ListedPlan& plan) {
  const auto& without = said["summary"]["without_slides"];
  if (without.is_null()) return;
  const std::string pulls = without["compensated_pulls"].get<bool>() ? "compensated_pulls" : "ideal_pulls";
  for (const auto& engagement : said["elastic"]["engagements"])
    plan.actions[engagement["action"].get<std::size_t>()].slide_off_mm =
        engagement[pulls + "_off_mm"].get<std::vector<double>>();
}

/// A question's plan, and all that it takes to draw benches of it.
struct PlannedQuestion {
  explicit PlannedQuestion(const Question& q) : edited(q.scene, q.edits) {
    const TemporaryFolder folder;
    const std::string scene = edited.file().string();
    REQUIRE(run_program(WITHY_PROGRAM,
                        {"plan", scene, "--locks", q.locks, "--prefer", q.prefer, "-o", "out", "--quiet"},
                        folder.path())
                .status == 0);
    const std::string file = (folder.path() / "out/plan.json").string();
    said = nlohmann::json::parse(read_text(file));
    plan = withy_plain::read_plan(file);
    count_slides(said, plan);
    robot.scene = withy_plain::read_scene(scene);
    solid = withy_plain::make_solid(withy_plain::read_mesh(robot.scene.mesh_path, robot.scene.mm_per_unit),
                                    robot.scene);
    if (const int locks = std::stoi(q.locks); locks > 0) robot.layout = robot.scene.layouts.at(locks);
  }

  /// Of the usual errors, `times` as large.
  withy_plain::Drawn draw(double times, int benches, int slow) const {
    constexpr unsigned kSeed = 5;
    withy_plain::ErrorSizes sizes;
    sizes.backlash_mm = robot.scene.latch ? robot.scene.latch->backlash_mm : 0.0;
    for (double* size : {&sizes.backlash_mm, &sizes.pull_gain, &sizes.pull_offset_mm, &sizes.entry_mm,
                         &sizes.entry_rad, &sizes.registration_mm, &sizes.registration_rad,
                         &sizes.lumen_scale, &sizes.coil_gain, &sizes.magnet_strength})
      *size *= times;
    const withy_plain::Wall wall(solid);
    return withy_plain::draw_benches(robot, plan, wall, middle(solid.mesh), sizes, benches, slow, kSeed);
  }

  EditedScene edited;
  nlohmann::json said;
  withy_plain::ListedPlan plan;
  withy_plain::Robot robot;
  withy_plain::Solid solid;
};

/// A question's plan, drawn benches of it, and what the planner said of its own.
void compare_draws(const Question& q, int slow) {
  CAPTURE(q.scene, q.locks);
  const PlannedQuestion asked(q);
  const auto benches = asked.said["summary"]["benches"];
  constexpr int kBenches = 10000;
  const auto drawn = asked.draw(1.0, kBenches, slow);
  const int draws = benches["draws"];
  const auto count = [&](const char* key) { return benches[key]["benches"].get<int>(); };
  const auto said = [&](const char* key) { return wilson(count(key), draws); };
  if (slow >= kBenches)
    std::printf(
        "%s %s %s: drawn apart, of %d: miss %d, not engage %d, touch %d (%d within 0.05 mm), overload "
        "%d; the planner, of %d: miss %d, not engage %d, touch %d, overload %d\n",
        q.scene.c_str(), q.locks.c_str(), q.prefer.c_str(), drawn.sampled, drawn.misses, drawn.disengaged,
        drawn.touches, drawn.close, drawn.overloads, draws, count("misses"), count("disengaged"),
        count("touches"), count("overloads"));
  std::fflush(stdout);
  CAPTURE(drawn.misses, drawn.disengaged, drawn.touches, drawn.close, drawn.overloads, benches.dump());
  CHECK(overlap(wilson(drawn.misses, drawn.benches), said("misses")));
  CHECK(overlap(wilson(drawn.disengaged, drawn.benches), said("disengaged")));
  CHECK(overlap(wilson(drawn.overloads, drawn.sampled), said("overloads")));
  // The planner counts those that are too close to tell.
  CHECK(said("touches").high >= wilson(drawn.touches, drawn.sampled).low);
  CHECK(said("touches").low <= wilson(drawn.close, drawn.sampled).high);
}

}  // namespace

TEST_CASE("benches drawn apart from the planner fail as often as it says") {
  // The last one's hunt touches the wall on many of them.
  for (const Question& q : {Question{"fold-chamber", "1", "quick"}, Question{"double-bend", "1", "quick"},
                            Question{"miniature", "2", "quick"}})
    compare_draws(q, asked_slowly());
}

TEST_CASE("no bench drawn apart within a plan's reserve fails, where locks engage in front of the entry") {
  for (const Question& q : {Question{"single-bend", "1", "bench"}, Question{"miniature", "2", "bench"},
                            Question{"airway", "3", "bench"}}) {
    CAPTURE(q.scene, q.locks);
    const PlannedQuestion asked(q);
    const auto& actions = asked.plan.actions;
    const auto in_front = [&](const withy_plain::ListedAction& action) {
      return action.hunt && action.hunt->made &&
             asked.plan.states[static_cast<std::size_t>(action.from)].state.insertion_mm == 0.0;
    };
    REQUIRE(std::any_of(actions.begin(), actions.end(), in_front));
    const double reserve = asked.said["summary"]["reserve"];
    REQUIRE(reserve > 0.0);
    const auto drawn = asked.draw(reserve, 1000, 400);
    CHECK(drawn.touches == 0);
    CHECK(drawn.misses == 0);
    CHECK(drawn.disengaged == 0);
    CHECK(drawn.overloads == 0);
  }
}

TEST_CASE(
    "the lock that limits a reserve is the one that a switch's field is nearest to moving off its stop") {
  // The plain implementation's own torques at all corners of all sweeps, the lock open and engaged.
  const PlannedQuestion asked({"double-bend", "3", "bench"});
  const withy_plain::Robot& robot = asked.robot;
  struct Nearest {
    double spare_Nmm = INFINITY;
    std::size_t action = 0;
    int lock = 0;
  } nearest;
  for (std::size_t k = 0; k < asked.plan.actions.size(); ++k) {
    const withy_plain::ListedAction& action = asked.plan.actions[k];
    if (!action.hunt || !action.hunt->made) continue;
    const Eigen::VectorXd I = Eigen::Map<const Eigen::VectorXd>(
        action.current_A.data(), static_cast<Eigen::Index>(action.current_A.size()));
    const withy_plain::State& before = asked.plan.states[static_cast<std::size_t>(action.from)].state;
    for (const Eigen::Vector2d& corner : withy_plain::hunt_corners(robot.scene, *action.hunt)) {
      const withy_plain::State open = withy_plain::swept(robot, before, action.lock, corner);
      withy_plain::State dropped = withy_plain::swept_engaged(robot, before, action.lock, open);
      dropped.locked[static_cast<std::size_t>(action.lock)] = false;  // its magnet is on its way still
      for (const withy_plain::State& pose : {open, dropped}) {
        const auto conditions = withy_plain::conditions(robot, pose, action.lock, 1.0);
        for (std::size_t c = 0; c < conditions.size(); ++c) {
          const double spare = conditions[c].row.dot(I) - conditions[c].least;
          // Two conditions are of the lock that switches, at its place among the locks.
          const int at = static_cast<int>(c);
          if (spare < nearest.spare_Nmm) nearest = {spare, k, at > action.lock ? at - 1 : at};
        }
      }
    }
  }
  const withy_plain::ListedAction& action = asked.plan.actions[nearest.action];
  CAPTURE(nearest.spare_Nmm, nearest.action, nearest.lock);
  CHECK(nearest.spare_Nmm >= 0.0);
  REQUIRE(nearest.lock != action.lock);
  CHECK(asked.said["summary"]["reserve_limited_by"].get<std::string>() ==
        "the field that switches lock " + std::to_string(action.lock + 1) + " at action " +
            std::to_string(nearest.action + 1) + " may move lock " + std::to_string(nearest.lock + 1) +
            " too during its hunt");
}

TEST_CASE("benches drawn apart find as few notches as the planner says where the elastic body is off them") {
  // Its scripts carry ideal pulls, with which a lock is off by most of what window and hunt reach.
  compare_draws({"planar-s", "3", "quick"}, 1);
}

TEST_CASE("benches drawn apart fail as often as the planner says with tendons in one plane") {
  // The hunt, a line there, is made small enough not to touch as planned.
  auto small_hunt = kTwoTendons;
  small_hunt["hunt_mm = 0.1"] = "hunt_mm = 0.03";
  for (const Question& q :
       {Question{"planar-s", "1", "quick", small_hunt}, Question{"single-bend", "1", "quick", kTwoTendons}})
    compare_draws(q, asked_slowly());
}

// WITHY_STAND_BENCHES=10000 build/tests/test_scenes "[drawn-apart]" -c "double-bend 1" asks one of them.
TEST_CASE("benches drawn apart fail as often as the planner says whatever a plan is weak in",
          "[.campaign][drawn-apart]") {
  // What tools/first-run plans; then touching, a hunt that can't be made, tension, the field, a guide, the
  // tip alone.
  for (const char* question : {"airway 1", "airway 2", "planar-s 3", "double-bend 1", "weak-tendons 1",
                               "single-bend 1", "miniature 2", "guide-narrow 3", "straight 0"})
    DYNAMIC_SECTION(question) {
      const std::string text = question;
      const std::size_t space = text.find(' ');
      compare_draws({text.substr(0, space), text.substr(space + 1), "bench"}, asked_slowly());
    }
}

namespace {

/// The scene that tools/first-run plans.
std::filesystem::path first_scene() {
  const std::string script = read_text(std::filesystem::path(WITHY_SOURCE_DIR) / "tools/first-run");
  const std::string key = "\nscene=";
  const std::size_t at = script.find(key) + key.size();
  return std::filesystem::path(WITHY_SOURCE_DIR) / script.substr(at, script.find('\n', at) - at);
}

}  // namespace

TEST_CASE("the first plan that a new user makes stands the bench") {
  const TemporaryFolder folder;
  const ProgramRun run =
      run_program(WITHY_PROGRAM, {"plan", first_scene().string(), "-o", "out", "--quiet"}, folder.path());
  REQUIRE(run.status == 0);
  const auto summary = nlohmann::json::parse(read_text(folder.path() / "out/plan.json"))["summary"];
  CHECK(summary["chance_to_fail_high"].get<double>() < 0.01);
  CHECK(summary["reserve"].is_number());
  CHECK(summary["reserve_limited_by"].is_string());
  // The verdict, then what it stands, then the table of values against limits.
  CHECK(run.out.rfind("reached: ", 0) == 0);
  const std::size_t chance = run.out.find("\nchance to fail");
  CHECK(chance != std::string::npos);
  CHECK(run.out.find("\nreserve ", chance) != std::string::npos);
  CHECK(run.out.find("\ntension ", chance) != std::string::npos);
}
