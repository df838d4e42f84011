// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/plan/plan.h"

#include <regex>

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include "planner/script/script.h"
#include "planner/segment/shape.h"
#include "tests/support/plain_replay.h"
#include "tests/support/plain_twin.h"

using Catch::Matchers::WithinAbs;
using nlohmann::ordered_json;
using withy_test::Bench;
using withy_test::BenchOptions;
using withy_test::write_text;

namespace {

std::vector<std::string> keys_of(const ordered_json& object) {
  std::vector<std::string> keys;
  for (const auto& item : object.items()) keys.push_back(item.key());
  return keys;
}

std::filesystem::path saved(const Bench& bench, const std::string& text) {
  const auto file = bench.folder() / "plan.json";
  write_text(file, text);
  return file;
}

/// The plan with one part of its text put another way.
std::string edited(std::string text, const std::string& part, const std::string& by) {
  const std::size_t at = text.find(part);
  REQUIRE(at != std::string::npos);
  return text.replace(at, part.size(), by);
}

std::string refusal(const Bench& bench, const std::string& text) {
  const auto file = withy::read_plan(saved(bench, text));
  if (!file) return file.error().message().substr(bench.folder().string().size() + 1);
  const auto plan = withy::plan_in(*file, bench.design());
  return plan ? "" : plan.error().message().substr(bench.folder().string().size() + 1);
}

}  // namespace

TEST_CASE("A plan's keys stand in the order that the format has") {
  const auto plan = ordered_json::parse(Bench().plan_text());
  const std::vector<std::string> top = {"format",      "version", "scene", "verdict", "why",     "checked",
                                        "not_checked", "locks",   "seed",  "seconds", "segment", "summary",
                                        "states",      "actions", "proof", "approach"};
  CHECK(keys_of(plan) == top);
  CHECK(keys_of(plan["scene"]) == std::vector<std::string>{"file", "sha256", "mesh_sha256", "title"});
  const auto summary = keys_of(plan["summary"]);
  CHECK(std::vector<std::string>(summary.begin(), summary.begin() + 11) ==
        std::vector<std::string>{"locks_used", "actions", "clearance_mm", "clearance_slack_mm",
                                 "tip_error_mm", "tip_direction_error_deg", "tension_max_N", "pull_max_mm",
                                 "field_max_mT", "duration_s", "preset"});
  CHECK(keys_of(plan["states"][0]) == std::vector<std::string>{"insertion_mm", "locked", "regions", "pull_mm",
                                                               "tension_N", "tip_mm", "clearance_mm",
                                                               "lock_moment_Nmm"});
  CHECK(keys_of(plan["actions"][2]) == std::vector<std::string>{"kind", "leg", "from", "to", "lock",
                                                                "field_mT", "current_A", "field_reserve",
                                                                "hunt", "clearance_mm"});
  CHECK(keys_of(plan["actions"][0]) == std::vector<std::string>{"kind", "leg", "from", "to", "clearance_mm"});
}

TEST_CASE("The plain implementation replays a written plan and finds nothing to say against it") {
  for (const BenchOptions& options : {BenchOptions{}, BenchOptions{.guide = true, .disk_spacing_mm = 10.0},
                                      BenchOptions{.standing_motors = true}, BenchOptions{.coils = true}}) {
    const Bench bench(options);
    const auto said =
        withy_plain::replay_plan(bench.scene_file().string(), saved(bench, bench.plan_text()).string());
    CAPTURE(options.guide, options.standing_motors, said);
    CHECK(said.empty());
  }
}

TEST_CASE("A plan reads back as the plan that was written") {
  for (const BenchOptions& options : {BenchOptions{}, BenchOptions{.guide = true},
                                      BenchOptions{.field = false}, BenchOptions{.coils = true}}) {
    const Bench bench(options);
    const auto file = withy::read_plan(saved(bench, bench.plan_text()));
    REQUIRE(file);
    const auto plan = withy::plan_in(*file, bench.design());
    REQUIRE(plan);
    REQUIRE(plan->states.size() == bench.plan().states.size());
    for (std::size_t i = 0; i < plan->states.size(); ++i) {
      const withy::State& written = bench.plan().states[i];
      CHECK(plan->states[i].insertion_mm == written.insertion_mm);
      CHECK(plan->states[i].engaged == written.engaged);
      CHECK(plan->states[i].u_free == written.u_free);
      REQUIRE(plan->states[i].theta_frozen.size() == written.theta_frozen.size());
      for (std::size_t k = 0; k < written.theta_frozen.size(); ++k)
        CHECK((plan->states[i].theta_frozen[k] - written.theta_frozen[k]).norm() < 1e-15);
    }
    REQUIRE(plan->actions.size() == bench.plan().actions.size());
    for (std::size_t k = 0; k < plan->actions.size(); ++k) {
      CHECK(plan->actions[k].kind == bench.plan().actions[k].kind);
      CHECK(plan->actions[k].lock == bench.plan().actions[k].lock);
      CHECK(plan->actions[k].field_S == bench.plan().actions[k].field_S);
      CHECK(plan->actions[k].current_A == bench.plan().actions[k].current_A);
      CHECK(plan->actions[k].field_reserve == bench.plan().actions[k].field_reserve);
      CHECK(plan->actions[k].clearance_mm == bench.plan().actions[k].clearance_mm);
    }
    CHECK(plan->reached_state == bench.plan().reached_state);
    CHECK(plan->clearance_mm == bench.plan().clearance_mm);
  }
}

TEST_CASE("The same answer gives the same bytes, and only the seconds tell two runs apart") {
  const Bench bench;
  withy::Answer later = bench.answer();
  later.seconds = 17.0;
  const auto text_of = [&](const withy::Answer& answer) {
    return withy::write_plan({bench.scene(), bench.design(), answer, "scene.toml", std::nullopt,
                              withy::plan_duration_s(bench.scene(), bench.design(), answer.plan)});
  };
  CHECK(text_of(bench.answer()) == bench.plan_text());
  CHECK(std::regex_replace(text_of(later), std::regex("\"seconds\": 17.0"), "\"seconds\": 0.25") ==
        bench.plan_text());
}

TEST_CASE("Numbers read back exactly, an unbounded clearance is null, and zero has no sign") {
  const Bench bench;
  const std::string text = bench.plan_text();
  const auto plan = ordered_json::parse(text);
  CHECK(plan["states"][0]["clearance_mm"].is_null());
  CHECK(plan["states"][2]["regions"][0]["curvature_per_mm"][0].get<double>() ==
        bench.plan().states[2].u_free.x());
  CHECK(text.find("-0.0,") == std::string::npos);
  CHECK(text.find("-0.0]") == std::string::npos);
  const Eigen::Vector3d tip =
      bench.scene().entry.X_SE * withy::Shape(bench.design(), bench.plan().states[4]).tip_E().translation();
  for (int k = 0; k < 3; ++k)
    CHECK(plan["states"][4]["tip_mm"][static_cast<std::size_t>(k)].get<double>() == tip(k));
}

TEST_CASE("A plan carries its figures: each state's are its own, the largest are the largest") {
  // What the figures are is checked by the plain implementation, which replays the file that they stand in.
  for (const BenchOptions& options : {BenchOptions{}, BenchOptions{.guide = true}}) {
    const Bench bench(options);
    const withy::Plan& plan = bench.plan();
    const auto file = ordered_json::parse(bench.plan_text());
    double tension = 0.0, field = 0.0;
    for (std::size_t i = 0; i < plan.states.size(); ++i) {
      for (const double T : file["states"][i]["tension_N"]) tension = std::max(tension, T);
      // Sharper than the state's own bound where an action passes it, and never above the truth.
      const auto own = bench.verifier().clearance(plan.states[i]);
      CHECK(plan.states[i].clearance_mm >= own.lower_mm);
      CHECK(plan.states[i].clearance_mm <= own.upper_mm);
    }
    for (const auto& action : file["actions"])
      if (action.contains("field_mT"))
        field = std::max(
            field,
            Eigen::Vector3d(action["field_mT"][0], action["field_mT"][1], action["field_mT"][2]).norm());
    CHECK(plan.largest.tension_N.value() == tension);
    CHECK_THAT(plan.largest.field_mT.value(), WithinAbs(field, 1e-9));  // one lock, and coils far away
    CHECK(plan.largest.insertion_mm == file["states"][plan.reached_state]["insertion_mm"]);
  }
}

TEST_CASE("The segment stands in the plan with the scene's keys and the layout that was used") {
  const auto segment = ordered_json::parse(Bench().plan_text())["segment"];
  CHECK(segment["length_mm"] == 100.0);
  CHECK(segment["tip_rigid_mm"] == 3.0);
  CHECK(segment["curvature_max_per_mm"] == 0.04);
  CHECK(segment["station_mm"] == std::vector<double>{50.0});
  CHECK(segment["clock_deg"] == std::vector<double>{33.0});  // through radians and back without a stray digit
  CHECK(segment["layout_assumed"] == false);
  CHECK(segment["carriage"]["kind"] == "free");
}

TEST_CASE("Each maximum in the summary stands beside its limit and the margin to it") {
  const auto summary = ordered_json::parse(Bench().plan_text())["summary"];
  const auto check = [&](const std::string& name, const std::string& unit, double limit) {
    CAPTURE(name);
    CHECK(summary.at(name + "_limit_" + unit).get<double>() == limit);
    CHECK_THAT(summary.at(name + "_margin_" + unit).get<double>(),
               WithinAbs(limit - summary.at(name + "_max_" + unit).get<double>(), 1e-12));
  };
  check("tension", "N", 30.0);
  check("pull", "mm", 8.0);
  check("field", "mT", 12.0);
  check("lock_moment", "Nmm", 60.0);
  check("insertion", "mm", 160.0);
  check("curvature", "per_mm", 0.04);
  // One notch over 48 mm of flexible length is the tightest bend.
  CHECK_THAT(summary.at("curvature_max_per_mm").get<double>(),
             WithinAbs(0.5 * std::sqrt(2.0) / 1.2 / 48.0, 1e-12));
  CHECK_THAT(summary.at("tip_error_mm").get<double>(),
             WithinAbs(0.3, 1e-6));  // the bench puts the target there
}

TEST_CASE("What the scene leaves out is null in the summary, and absent from the states") {
  const Bench bench({.actuation = false, .field = false});
  const auto plan = ordered_json::parse(bench.plan_text());
  CHECK(plan["summary"]["duration_s"].is_null());
  CHECK(plan["summary"]["field_max_mT"].is_null());
  CHECK(plan["summary"]["field_limit_mT"].is_null());
  CHECK(plan["actions"][2]["field_mT"].is_null());
  CHECK(plan["actions"][2]["current_A"].is_null());
}

TEST_CASE("An undecided answer says what was covered and how near it came") {
  const Bench bench;
  withy::Answer answer = bench.answer();
  answer.verdict = withy::Verdict::undecided;
  answer.plan.reset();
  answer.coverage = withy::Coverage{1000, 900, 100, 40, 0.5, 1.0, 5000.0};
  answer.approach = withy::Approach{12.5, bench.plan().states[1], "the wall at 40 mm"};
  const auto text = withy::write_plan({bench.scene(), bench.design(), answer, "scene.toml"});
  const auto plan = ordered_json::parse(text);
  CHECK(plan["verdict"] == "undecided");
  CHECK(plan["states"].empty());
  CHECK(plan["summary"].is_null());
  CHECK(plan["proof"]["cells_left"] == 100);
  CHECK(plan["proof"]["lipschitz_curvature_mm2"] == 5000.0);
  CHECK(plan["approach"]["distance_mm"] == 12.5);
  CHECK(plan["approach"]["blocked_by"] == "the wall at 40 mm");
  CHECK(plan["approach"]["state"]["insertion_mm"] == 60.0);
  const auto file = withy::read_plan(saved(bench, text));
  REQUIRE(file);
  CHECK(file->verdict == withy::Verdict::undecided);
  const auto none = withy::plan_in(*file, bench.design());
  REQUIRE_FALSE(none);
  CHECK(none.error().line == 4);  // where the verdict stands
}

TEST_CASE("A plan file that was edited wrongly is refused where the fault stands") {
  const Bench bench;
  const std::string text = bench.plan_text();
  REQUIRE(refusal(bench, text).empty());
  CHECK(refusal(bench, edited(text, "withy-plan", "other-plan"))
            .starts_with("plan.json:1:13: this is no plan of withy's"));
  CHECK(refusal(bench, edited(text, "\"version\": 1", "\"version\": 2"))
            .starts_with("plan.json:2:14: plans of this version"));
  CHECK(refusal(bench, edited(text, "\"locks\": 1,", "\"locks\": 1.5,"))
            .starts_with("plan.json:8:12: 1.5 stands where a whole number"));
  CHECK(refusal(bench, edited(text, "\"seed\": 7", "\"sed\": 7")).find("the key \"sed\" is unknown") !=
        std::string::npos);
  CHECK(refusal(bench, edited(text, "\"reached\"", "\"arrived\""))
            .starts_with("plan.json:4:14: \"arrived\" is none of the words"));
  CHECK(refusal(bench, edited(text, "\"why\":", "\"why\"")).starts_with("plan.json:5:"));
  CHECK(refusal(bench, text.substr(0, text.size() / 2)).find("this is no JSON") != std::string::npos);
  CHECK(refusal(bench, edited(text, "\"kind\":\"lock\"", "\"kind\":\"latch\""))
            .find("\"latch\" is none of the words") != std::string::npos);
  CHECK(refusal(bench, edited(text, "\"to\":3", "\"to\":99")).find("there is no state 99") !=
        std::string::npos);
  CHECK(refusal(bench, edited(text, "\"lock\":1", "\"lock\":2"))
            .find("there is no lock 2, locks are counted from 1 to 1") != std::string::npos);
  CHECK(refusal(bench, edited(text, "\"kind\":\"lock\"", "\"kind\":\"bend\""))
            .find("this bend switches other locks than it says") != std::string::npos);
  CHECK(refusal(bench, edited(text, "\"locked\":[true]", "\"locked\":[false]"))
            .find("the regions don't end at the engaged locks") != std::string::npos);
  CHECK(refusal(bench, edited(text, "\"to\":3,\"lock\"", "\"to\":2,\"lock\""))
            .find("this lock switches other locks than it says") != std::string::npos);
}

TEST_CASE("A plan's scene and mesh must be what they were when it was made") {
  const Bench bench;
  const auto file = saved(bench, bench.plan_text());
  auto plan = withy::read_plan(file);
  REQUIRE(plan);
  REQUIRE(withy::scene_of(*plan, file));  // found beside the plan
  const std::string scene = withy_test::read_text(bench.scene_file());
  write_text(bench.scene_file(), scene + "# a comment more\n");
  const auto changed = withy::scene_of(*plan, file);
  REQUIRE_FALSE(changed);
  CHECK(changed.error().message().find("the scene " + bench.scene_file().string() + " has changed") !=
        std::string::npos);
  CHECK(changed.error().line == 3);
  write_text(bench.scene_file(), scene);
  const auto mesh = bench.folder() / "box.off";
  write_text(mesh, withy_test::read_text(mesh) + "# a comment more\n");
  const auto remeshed = withy::scene_of(*plan, file);
  REQUIRE_FALSE(remeshed);
  CHECK(remeshed.error().message().find("the mesh " + mesh.string() + " has changed") != std::string::npos);
  std::filesystem::remove(bench.scene_file());
  CHECK_FALSE(withy::scene_of(*plan, file));
}

TEST_CASE("Where coils have a resistance, a switch says the power and the voltages it takes") {
  const auto plan = ordered_json::parse(Bench({.coils = true}).plan_text());
  const auto& action = plan["actions"][2];
  CHECK(keys_of(action) == std::vector<std::string>{"kind", "leg", "from", "to", "lock", "field_mT",
                                                    "current_A", "field_reserve", "power_W", "voltage_V",
                                                    "hunt", "clearance_mm"});
  const auto I = action["current_A"].get<std::vector<double>>();
  const auto U = action["voltage_V"].get<std::vector<double>>();
  REQUIRE((I.size() == 4 && U.size() == 4));
  double power = 0.0;  // 3 ohm each
  for (std::size_t k = 0; k < 4; ++k) {
    CHECK_THAT(U[k], WithinAbs(3.0 * I[k], 1e-12));
    power += 3.0 * I[k] * I[k];
  }
  CHECK_THAT(action["power_W"].get<double>(), WithinAbs(power, 1e-9));
  CHECK_THAT(action["field_reserve"].get<double>(), WithinAbs(1.5, 1e-6));
  CHECK_THAT(plan["summary"]["field_reserve"].get<double>(), WithinAbs(1.5, 1e-6));
  CHECK(plan["summary"]["field_reserve_wanted"].get<double>() == 1.5);
}

TEST_CASE("A plan with a current too few is refused at its place") {
  const Bench bench({.coils = true});
  auto plan = ordered_json::parse(bench.plan_text());
  plan["actions"][2]["current_A"].erase(0);
  CHECK(refusal(bench, plan.dump()).find("3 currents are listed, list 4, one for each coil") !=
        std::string::npos);
}
