// SPDX-License-Identifier: GPL-3.0-or-later
// The desk as its page uses it, over JSON: changes, verdicts, undo, what is kept and what is saved.
#include <atomic>
#include <chrono>
#include <fstream>
#include <random>
#include <thread>

#include <catch2/catch.hpp>
#include <unistd.h>

#include "geometry/centreline/centreline.h"
#include "planner/plan/plan.h"
#include "planner/script/plan_check.h"
#include "planner/search/ask/scene_problem.h"
#include "planner/search/ask/solve.h"
#include "tests/planner/live/live_bench.h"

namespace {

using namespace withy;
using Json = nlohmann::json;
using withy_test::LiveBench;
using withy_test::read_text;

/// Does the plan file hold before the checker that `script` and `page` ask?
void check_plan_file(const LiveBench& bench, const std::filesystem::path& file) {
  const auto plan_file = read_plan(file);
  REQUIRE(plan_file);
  const auto scene = scene_of(*plan_file, file);
  INFO((scene ? "" : scene.error().message()));
  REQUIRE(scene);
  const auto prepared = prepare_scene(bench.scene());
  REQUIRE(prepared);
  const auto problem = make_problem(*prepared, plan_file->locks);
  REQUIRE(problem);
  const auto plan = plan_in(*plan_file, problem->design);
  REQUIRE(plan);
  const MotionVerifier verifier(problem->design, *problem->distance);
  const auto fault = plan_defect(*plan, {*scene, verifier, problem->required_clearance_mm});
  INFO((fault ? fault->problem : ""));
  CHECK_FALSE(fault);
}

/// Whether it came to be so within a minute.
template <class Is>
bool waited_for(const Is& is) {
  for (int turn = 0; turn < 600 && !is(); ++turn) std::this_thread::sleep_for(std::chrono::milliseconds(100));
  return is();
}

}  // namespace

TEST_CASE("verdicts are those that a question asked by itself gets, also after a change") {
  LiveBench bench;
  bench.open();
  CHECK(bench.decided(0).at("verdict") == "unreachable");
  CHECK(bench.decided(1).at("verdict") == "reached");
  bench.edited("layout.1.station_mm", {61.5});
  const Json cell = bench.decided(1);
  bench.granted("save-scene");
  const auto prepared = prepare_scene(bench.scene());
  SolveSettings settings;
  settings.explain = false;
  settings.prefer = Preference::quick;
  const Answer own = solve(*make_problem(*prepared, 1), settings);
  CHECK(cell.at("verdict") == std::string(name_of(own.verdict)));
  CHECK(cell.at("why") == own.why);
}

TEST_CASE(
    "how deep the tip gets is said of an unreachable target, and what a question by itself finds brackets "
    "it") {
  LiveBench bench;
  bench.open();
  bench.granted("ask", {{"locks", {0}}});
  const Json cell = bench.decided(0, true);
  REQUIRE(cell.at("verdict") == "unreachable");
  const auto prepared = prepare_scene(bench.scene());
  REQUIRE(prepared);
  SolveSettings settings;
  settings.prefer = Preference::clearance;
  settings.target_way = [&](const Eigen::Vector3d& point_E) {
    return way_to_target(compute_centreline(prepared->wall()), point_E);
  };
  const Answer own = solve(*make_problem(*prepared, 0), settings);
  REQUIRE(own.depth);
  // How far the looks of either got is the clock's; that they bracket one depth is not.
  const Json& depth = cell.at("depth");
  CHECK(depth.at("target_mm").get<double>() == Approx(own.depth->target_mm));
  CHECK_FALSE(depth.at("sentence").get<std::string>().empty());
  const double reached_mm = depth.at("reached_mm");
  CHECK(reached_mm > 0.0);
  if (own.depth->proved) CHECK(reached_mm <= own.depth->at_most_mm);
  if (!depth.at("at_most_mm").is_null()) CHECK(own.depth->reached_mm <= depth.at("at_most_mm").get<double>());
}

TEST_CASE("changes are undone gesture by gesture, and redone") {
  LiveBench bench;
  bench.open();
  const std::string before = read_text(bench.scene());
  for (const double at : {51.0, 52.0, 53.0}) bench.edited("layout.1.station_mm", {at}, "drag 1");
  bench.edited("clearance.required_mm", 0.3);
  Json scene = bench.granted("undo");
  CHECK(scene.at("designs").at(0).at("design").at("station_mm").at(0) == 53.0);
  CHECK(scene.at("scene").at("required_clearance_mm") == 0.2);
  scene = bench.granted("undo");
  CHECK(scene.at("designs").at(0).at("design").at("station_mm").at(0) == 50.0);
  CHECK(scene.at("can_undo") == false);
  CHECK(scene.at("unsaved") == false);
  bench.granted("redo");
  scene = bench.granted("redo");
  CHECK(scene.at("scene").at("required_clearance_mm") == 0.3);
  CHECK(bench.refused("redo", Json::object()).find("nothing") != std::string::npos);
  CHECK(read_text(bench.scene()) == before);
}

TEST_CASE("what can't be is refused with its place and changes nothing") {
  LiveBench bench;
  bench.open();
  const Json before = bench.granted("scene");
  const auto edit = [](const Json& key, const Json& value) {
    return Json{{"changes", {{{"key", key}, {"value", value}}}}};
  };
  CHECK(bench.refused("edit", edit("target.point_mm", {0.0, 0.0, 500.0})).find("outside the channel") !=
        std::string::npos);
  CHECK(bench.refused("edit", edit("segment.radius_mm", -1.0)).find("a number from 0.05") !=
        std::string::npos);
  CHECK(bench.refused("edit", edit("segment.colour", 1.0)).find("unknown key") != std::string::npos);
  CHECK(bench.refused("edit", edit("layout.1.station_mm", {99.0})).find("scene.toml:") != std::string::npos);
  CHECK(bench.refused("edit", edit(3, 1.0)).find("the request:1:") != std::string::npos);
  CHECK(bench.refused("edit", Json::object()).find("changes") != std::string::npos);
  CHECK(bench.refused("drive", {{"locks", 9}, {"insertion_mm", 1}, {"curvature_per_mm", {0, 0}}})
            .find("locks") != std::string::npos);
  CHECK(bench.refused("switch", {{"locks", 1}, {"lock", 2}}).find("no lock 2") != std::string::npos);
  CHECK(bench.refused("save-plan", {{"locks", 1}, {"folder", "../out"}}).find("folder") != std::string::npos);
  CHECK(bench.refused("nothing", Json::object()).find("no request") != std::string::npos);
  CHECK(bench.desk().ask("scene", std::string(kLongestRequest + 1, ' ')).kind == ReplyKind::malformed);
  CHECK(bench.desk().ask("scene", "{").kind == ReplyKind::malformed);
  CHECK(bench.granted("scene").at("revision") == before.at("revision"));
}

TEST_CASE("a layout that is in the way of a change is named by its lock count") {
  LiveBench bench;
  bench.open();
  bench.granted("cancel");
  // Lock 2 of layout.2 ends at 69 mm, where the rigid tip of a segment of 70 mm begins at 67 mm.
  const std::string why =
      bench.refused("edit", {{"changes", {{{"key", "segment.length_mm"}, {"value", 70.0}}}}});
  CHECK(why.find("layout.2, with 2 locks: the body of lock 2 (65 to 69 mm) overlaps the rigid tip") !=
        std::string::npos);
}

TEST_CASE("a desk that is opened with another target has it unsaved, and no target outside the channel") {
  LiveBench bench;
  bench.open();
  const Json before = bench.granted("scene").at("scene").at("target").at("point_mm");
  // As far off the axis as the box is wide (scenes/double-bend/recipe.toml).
  CHECK(bench.desk().move_target({500.0, 0.0, 50.0}));
  CHECK(bench.granted("scene").at("unsaved") == false);
  const std::vector<double> moved = {before[0].get<double>() - 1.0, before[1], before[2]};
  CHECK_FALSE(bench.desk().move_target(moved));
  const Json scene = bench.granted("scene");
  CHECK(scene.at("scene").at("target").at("point_mm") == Json(moved));
  CHECK(scene.at("unsaved") == true);
  CHECK(bench.granted("undo").at("scene").at("target").at("point_mm") == before);
}

TEST_CASE("nothing is lost when the desk goes: changes and what was driven are taken up again") {
  LiveBench bench;
  bench.open();
  bench.edited("target.tolerance_mm", 1.25);
  bench.granted("drive", {{"locks", 1}, {"insertion_mm", 33.0}, {"curvature_per_mm", {0.0, 0.0}}});
  bench.granted("switch", {{"locks", 1}, {"lock", 1}});
  const Json hand = bench.granted("hand", {{"locks", 1}});
  bench.open();
  CHECK(bench.desk().notes().size() == 2);
  const Json scene = bench.granted("scene");
  CHECK(scene.at("scene").at("target").at("tolerance_mm") == 1.25);
  CHECK(scene.at("unsaved") == true);
  CHECK(bench.granted("hand", {{"locks", 1}}).at("state") == hand.at("state"));
  CHECK(bench.granted("undo").at("unsaved") == false);
}

TEST_CASE("unsaved work of another version of the scene is set aside, not lost and not taken") {
  LiveBench bench;
  bench.open();
  bench.edited("target.tolerance_mm", 1.25);
  bench.close();
  std::ofstream(bench.scene(), std::ios::app) << "# changed elsewhere\n";
  bench.open();
  CHECK(bench.granted("scene").at("unsaved") == false);
  CHECK(read_text(bench.scene().string() + ".live.old").find("1.25") != std::string::npos);
}

TEST_CASE("the scene is saved with its comments, and not over somebody else's changes") {
  LiveBench bench;
  std::ofstream(bench.scene(), std::ios::app) << "# kept to the last\n";
  const std::string before = read_text(bench.scene());
  bench.open();
  bench.edited("target.tolerance_mm", 1.25);
  bench.granted("save-scene");
  CHECK(read_text(bench.scene()) ==
        std::string(before).replace(before.find("tolerance_mm = 1.5"), 18, "tolerance_mm = 1.25"));
  std::ofstream(bench.scene(), std::ios::app) << "# changed elsewhere\n";
  bench.edited("target.tolerance_mm", 1.5);
  CHECK(bench.refused("save-scene", Json::object()).find("changed by something else") != std::string::npos);
  CHECK(read_text(bench.scene()).find("changed elsewhere") != std::string::npos);
  bench.close();
  CHECK(std::filesystem::exists(bench.scene().string() + ".live"));
}

TEST_CASE("a saved scene stays what it was to the system: its mode, and the file that a link leads to") {
  LiveBench bench;
  const std::filesystem::path kept = bench.folder() / "kept";
  const std::filesystem::path file = kept / "the scene itself.toml";
  std::filesystem::create_directory(kept);
  std::filesystem::rename(bench.scene(), file);
  std::filesystem::create_symlink(std::filesystem::path("kept") / file.filename(), bench.scene());
  using std::filesystem::perms;
  const perms mode = perms::owner_read | perms::owner_write | perms::group_read | perms::others_exec;
  std::filesystem::permissions(file, mode);
  std::string text = read_text(file);
  std::ofstream(file) << "\xef\xbb\xbf" << text;  // some programs begin a text with a byte order mark
  text = read_text(file);
  bench.open();
  bench.edited("target.tolerance_mm", 1.25);
  bench.granted("save-scene");
  CHECK(std::filesystem::is_symlink(bench.scene()));
  CHECK(std::filesystem::status(file).permissions() == mode);
  CHECK(read_text(file) ==
        std::string(text).replace(text.find("tolerance_mm = 1.5"), 18, "tolerance_mm = 1.25"));
  CHECK(bench.granted("scene").at("unsaved") == false);
  // Nothing else is left beside either.
  CHECK(std::distance(std::filesystem::directory_iterator(kept), {}) == 1);
  CHECK(std::filesystem::is_regular_file(bench.folder() / "double-bend.stl"));
}

TEST_CASE(
    "a plan is saved whole, with the scene that it names; one taken over in the middle and driven on too") {
  LiveBench bench;
  bench.open();
  bench.edited("target.tolerance_mm", 1.6);
  REQUIRE(bench.decided(1, true).at("verdict") == "reached");
  bench.granted("save-plan", {{"locks", 1}, {"folder", "answer"}});
  for (const char* name : {"plan.json", "script.csv", "script.ngc", "plan.svg"})
    CHECK(std::filesystem::exists(bench.folder() / "answer" / name));
  CHECK(read_text(bench.scene()).find("tolerance_mm = 1.6") != std::string::npos);
  check_plan_file(bench, bench.folder() / "answer" / "plan.json");
  // One plan has the same figures wherever they stand.
  const Json shown = bench.decided(1, true).at("plan");
  const Json file = Json::parse(read_text(bench.folder() / "answer" / "plan.json")).at("summary");
  for (const char* name : {"clearance_mm", "reserve", "field_reserve"}) {
    INFO(name);
    CHECK(shown.at(name).is_number());
    CHECK(shown.at(name).get<double>() == Approx(file.at(name).get<double>()).margin(1e-6));
  }

  bench.granted("take", {{"locks", 1}, {"actions", 2}});
  bench.granted("drive", {{"locks", 1}, {"insertion_mm", 40.0}, {"curvature_per_mm", {0.002, -0.003}}});
  CHECK(bench.refused("save-plan", {{"locks", 1}, {"folder", "driven"}, {"by_hand", true}})
            .find("verify it first") != std::string::npos);
  CHECK(bench.granted("verify", {{"locks", 1}}).at("holds") == false);  // not at the target
  CHECK(bench.granted("onward", {{"locks", 1}}).at("at_target") == true);
  const Json verified = bench.granted("verify", {{"locks", 1}});
  INFO(verified.dump());
  REQUIRE(verified.at("holds") == true);
  const Json saved = bench.granted("save-plan", {{"locks", 1}, {"folder", "driven"}, {"by_hand", true}});
  check_plan_file(bench, bench.folder() / "driven" / "plan.json");
  // Nobody looked at the body that gives, of the plan as of the record: the scene has [elastic].
  for (const char* folder : {"answer", "driven"}) {
    INFO(folder);
    const Json plan = Json::parse(read_text(bench.folder() / folder / "plan.json"));
    CHECK(plan.at("not_checked") == Json({"elastic"}));
    CHECK_FALSE(plan.contains("elastic"));
  }
  CHECK(verified.at("not_checked") == Json({"elastic"}));
  CHECK(saved.at("not_checked") == Json({"elastic"}));
}

TEST_CASE(
    "where only the direction of the tip is off, the direction is named, and where its place is, that") {
  LiveBench bench;
  bench.open();
  REQUIRE(bench.decided(1).at("verdict") == "reached");
  bench.granted("drive", {{"locks", 1}, {"insertion_mm", 40.0}, {"curvature_per_mm", {0.0, 0.0}}});
  const Json before = bench.granted("verify", {{"locks", 1}});
  CHECK(before.at("holds") == false);
  CHECK(before.at("why").get<std::string>().find("mm from the target (1.5 allowed)") != std::string::npos);
  REQUIRE(bench.granted("onward", {{"locks", 1}}).at("at_target") == true);
  bench.edited("target.direction", {-0.4130, 0.6691, 0.6178});
  const Json hand = bench.granted("hand", {{"locks", 1}});
  REQUIRE(hand.at("target_off_mm").get<double>() <= 1.5);
  REQUIRE(hand.at("target_off_deg").get<double>() > 12.0);
  const std::string why = bench.granted("verify", {{"locks", 1}}).at("why");
  CHECK(why.find("at the target") != std::string::npos);
  CHECK(why.find("degrees off the wanted direction (12.0 allowed)") != std::string::npos);
  const double said = std::stod(why.substr(why.find("point ") + 6));
  CHECK(std::abs(said - hand.at("target_off_deg").get<double>()) <= 0.051);
}

TEST_CASE("what a change breaks of a record is named with its value, the same by whoever is asked") {
  LiveBench bench;
  bench.open();
  bench.granted("cancel");
  bench.granted("drive", {{"locks", 1}, {"insertion_mm", 45.0}, {"curvature_per_mm", {0.0, 0.0}}});
  REQUIRE(bench.granted("switch", {{"locks", 1}, {"lock", 1}}).at("made") == true);
  const Json bend = {{"locks", 1}, {"insertion_mm", 45.0}, {"curvature_per_mm", {0.01, 0.0}}};
  REQUIRE(bench.granted("drive", bend).at("made") == true);
  const auto found = [&](const std::string& key, double value) {
    bench.edited(key, value);
    const std::string objection = bench.granted("hand", {{"locks", 1}}).at("objection");
    const Json verified = bench.granted("verify", {{"locks", 1}});
    const std::string words = "step " + verified.at("step").dump() + " no longer stands: ";
    CHECK(objection == words + verified.at("why").get<std::string>());
    bench.granted("undo");
    return verified.at("why").get<std::string>();
  };
  CHECK(found("carriage.insertion_max_mm", 40.0) == "the insertion would be 45 mm, above the limit of 40 mm");
  CHECK(found("segment.curvature_max_per_mm", 0.005) ==
        "the free part would have a curvature of 0.01 per mm, above the limit of 0.005 per mm");
  const std::string weak = found("field.strength_max_mT", 1.0);
  CHECK(weak.find("the weakest field that switches lock 1 here is ") == 0);
  CHECK(weak.find("mT, above the limit of 1 mT") != std::string::npos);
}

TEST_CASE("as near as is allowed, nearer than that, and touching are told apart") {
  LiveBench bench;
  bench.open();
  bench.granted("cancel");
  const auto gap = [&] { return bench.granted("hand", {{"locks", 0}}).at("clearance"); };
  const auto is = [&](bool contact, bool too_near, bool at_limit) {
    const Json clearance = gap();
    INFO(clearance.dump());
    CHECK(clearance.at("contact") == contact);
    CHECK(clearance.at("too_near") == too_near);
    CHECK(clearance.at("at_limit") == at_limit);
  };
  bench.granted("drive", {{"locks", 0}, {"insertion_mm", 60.0}, {"curvature_per_mm", {0.0, 0.0}}});
  is(false, false, false);
  bench.granted("drive", {{"locks", 0}, {"insertion_mm", 160.0}, {"curvature_per_mm", {0.0, 0.0}}});
  is(false, false, true);
  REQUIRE(gap().at("now_mm").get<double>() < 0.9);
  bench.edited("clearance.required_mm", 1.0);
  is(false, true, false);
  bench.granted("undo");
  // The gap is 0.2 mm and the slack of what is proved: a body that is thicker by more is in the wall.
  bench.edited("segment.radius_mm", 1.8);
  is(true, true, false);
}

TEST_CASE("a refusal shows six digits at most, and a limit on its safe side") {
  LiveBench bench;
  bench.open();
  bench.granted("cancel");
  const std::string thick =
      bench.refused("edit", {{"changes",
                              {{{"key", "segment.radius_mm"}, {"value", 1.4885386505760140}},
                               {{"key", "tendons.radius_mm"}, {"value", 1.6}}}}});
  CHECK(thick.find("tendons.radius_mm is 1.6, outside the body, whose segment.radius_mm is 1.48853") !=
        std::string::npos);
  CHECK(thick.find("give at most 1.48853, or") != std::string::npos);
  const std::string tense = bench.refused(
      "edit", {{"changes", {{{"key", "tendons.tension_min_N"}, {"value", 517.8646848224159}}}}});
  CHECK(tense.find("tendons.tension_max_N is 20, not above tension_min_N = 517.865,") != std::string::npos);
}

TEST_CASE("what is driven past a place to pass does not hold, and the way on from there passes it") {
  LiveBench straight;
  straight.open();
  REQUIRE(straight.decided(1).at("verdict") == "reached");
  straight.granted("take", {{"locks", 1}, {"actions", 0}});
  const Json way = straight.granted("onward", {{"locks", 1}}).at("steps");

  LiveBench bench;
  const std::string text = read_text(bench.scene());
  // A side pocket of the chamber, 20 mm off every body that goes to the target.
  std::ofstream(bench.scene()) << text << "\n[[via]]\npoint_mm = [0.0, 20.0, 70.0]\ntolerance_mm = 4.0\n";
  bench.open();
  REQUIRE(bench.decided(1).at("verdict") == "reached");
  for (const Json& step : way) {
    if (step.contains("lock")) {
      CHECK(bench.granted("switch", {{"locks", 1}, {"lock", step.at("lock")}}).at("made") == true);
      continue;
    }
    const Json& to = step.at("to");
    CHECK(bench
              .granted("drive", {{"locks", 1},
                                 {"insertion_mm", to.at("insertion_mm")},
                                 {"curvature_per_mm", to.at("regions").back().at("curvature_per_mm")}})
              .at("made") == true);
  }
  REQUIRE(bench.granted("hand", {{"locks", 1}}).at("at_target") == true);
  const Json past = bench.granted("verify", {{"locks", 1}});
  CHECK(past.at("holds") == false);
  CHECK(past.at("why") == "no state of the way in has its tip at place 1 of those to pass");
  CHECK(bench.refused("save-plan", {{"locks", 1}, {"folder", "driven"}, {"by_hand", true}})
            .find("verify it first") != std::string::npos);
  // From the target, and from the start.
  for (const char* from : {"target", "start"}) {
    INFO(from);
    if (from == std::string("start")) bench.granted("reset", {{"locks", 1}});
    CHECK(bench.granted("onward", {{"locks", 1}}).at("at_target") == true);
    const Json verified = bench.granted("verify", {{"locks", 1}});
    INFO(verified.dump());
    REQUIRE(verified.at("holds") == true);
    bench.granted("save-plan", {{"locks", 1}, {"folder", from}, {"by_hand", true}});
    check_plan_file(bench, bench.folder() / from / "plan.json");
  }
}

TEST_CASE("a folder for an answer is none of the scene's own files, no option, and not hidden") {
  LiveBench bench;
  bench.open();
  bench.granted("ask", {{"locks", {0}}});
  bench.decided(0);
  bench.granted("cancel");
  const std::string mesh = bench.granted("scene").at("scene").at("mesh_file");
  const auto before = read_text(bench.scene());
  bench.edited("target.tolerance_mm", 1.5);
  for (const std::string& name :
       {std::string("scene.toml"), std::string("scene.toml.live"), std::string("scene.toml.live.old"),
        std::string("scene.toml.live.old.2"), std::filesystem::path(mesh).filename().string(),
        std::string("-o"), std::string(".git"), std::string("answer."), std::string("a/b"), std::string(),
        std::string(61, 'a')}) {
    INFO(name);
    CHECK_FALSE(bench.refused("save-plan", {{"locks", 0}, {"folder", name}}).empty());
  }
  CHECK(read_text(bench.scene()) == before);
  CHECK_FALSE(std::filesystem::is_directory(bench.scene().string() + ".live"));
  bench.granted("save-plan", {{"locks", 0}, {"folder", "answer.2"}});
}

TEST_CASE("a folder under the name of one of the answer's files is left alone, and nothing is written") {
  LiveBench bench;
  bench.open();
  bench.granted("ask", {{"locks", {0}}});
  bench.decided(0);
  bench.granted("cancel");
  std::filesystem::create_directories(bench.folder() / "dd/plan.json/mine");
  CHECK(
      bench.refused("save-plan", {{"locks", 0}, {"folder", "dd"}}).find("plan.json:1:1: this is a folder") !=
      std::string::npos);
  CHECK(std::filesystem::is_directory(bench.folder() / "dd/plan.json/mine"));
  CHECK(std::distance(std::filesystem::directory_iterator(bench.folder() / "dd"), {}) == 1);
  for (const auto& entry : std::filesystem::directory_iterator(bench.folder()))
    CHECK(entry.path().filename().string().find(".withy-") == std::string::npos);
}

TEST_CASE("no plan is saved for a mesh that was changed since it was read") {
  LiveBench bench;
  bench.open();
  bench.granted("ask", {{"locks", {0}}});
  bench.decided(0);
  bench.granted("cancel");
  const std::filesystem::path mesh =
      bench.folder() /
      std::filesystem::path(bench.granted("scene").at("scene").at("mesh_file").get<std::string>()).filename();
  const std::string before = read_text(mesh);
  std::ofstream(mesh, std::ios::app) << "x";
  CHECK(bench.refused("save-plan", {{"locks", 0}, {"folder", "answer"}}).find("this mesh was changed") !=
        std::string::npos);
  CHECK_FALSE(std::filesystem::exists(bench.folder() / "answer"));
  // A change for which the wall is read anew does not mix the two either.
  CHECK(bench.refused("edit", {{"changes", {{{"key", "entry.opening_radius_mm"}, {"value", 8.9}}}}})
            .find("this mesh was changed") != std::string::npos);
  std::ofstream(mesh, std::ios::trunc) << before;
  bench.granted("save-plan", {{"locks", 0}, {"folder", "answer"}});
}

TEST_CASE("a scene is on one desk at a time, and free again when that ends") {
  LiveBench bench;
  bench.open();
  const auto second = Desk::open(bench.scene(), 1);
  REQUIRE_FALSE(second);
  CHECK(second.error().message().find("open already (process " + std::to_string(::getpid()) + ")") !=
        std::string::npos);
  bench.close();
  CHECK_FALSE(std::filesystem::exists(bench.folder() / ".scene.toml.live.lock"));
  // What a process that was killed has left is in nobody's way.
  std::ofstream(bench.folder() / ".scene.toml.live.lock") << "1";
  bench.open();
}

TEST_CASE("work that is set aside does not take the place of what was set aside before") {
  LiveBench bench;
  for (const double tolerance : {1.25, 1.26, 1.27}) {
    bench.open();
    bench.edited("target.tolerance_mm", tolerance);
    bench.close();
    std::ofstream(bench.scene(), std::ios::app) << "# changed elsewhere\n";
  }
  bench.open();
  const std::string old = bench.scene().string() + ".live.old";
  CHECK(read_text(old).find("1.25") != std::string::npos);
  CHECK(read_text(old + ".2").find("1.26") != std::string::npos);
  CHECK(read_text(old + ".3").find("1.27") != std::string::npos);
}

TEST_CASE("where what is unsaved can't be kept beside the scene, the answers say so, and it is heard once") {
  LiveBench bench;
  bench.open();
  std::atomic<int> heard = 0;
  bench.desk().on_unkept([&](const std::string&) { ++heard; });
  const std::filesystem::path place = bench.scene().string() + ".live";
  std::filesystem::create_directories(place / "x");
  bench.edited("target.tolerance_mm", 1.25);
  CHECK(waited_for([&] { return bench.granted("scene").at("unkept") != ""; }));
  CHECK(bench.granted("scene").at("unkept").get<std::string>().find("is lost when") != std::string::npos);
  CHECK(bench.granted("hand", {{"locks", 1}}).at("unkept") != "");
  CHECK(bench.granted("verdicts").at("unkept") != "");
  bench.edited("target.tolerance_mm", 1.26);
  std::this_thread::sleep_for(std::chrono::milliseconds(800));
  CHECK(heard == 1);
  std::filesystem::remove_all(place);
  bench.edited("target.tolerance_mm", 1.27);
  CHECK(waited_for([&] { return bench.granted("scene").at("unkept") == ""; }));
  CHECK(std::filesystem::is_regular_file(place));
}

TEST_CASE("who waits for verdicts hears of driving where that is asked for") {
  LiveBench bench;
  bench.open();
  bench.granted("cancel");
  const Json before = bench.granted("verdicts");
  const Json waits = {{"seen", before.at("version")}, {"driven", before.at("driven")}, {"wait_s", 0.01}};
  CHECK(bench.granted("verdicts", waits).at("driven") == before.at("driven"));
  Json heard;
  std::thread waiter([&] {
    Json long_waits = waits;
    long_waits["wait_s"] = 20;
    heard = bench.granted("verdicts", long_waits);
  });
  const Json hand =
      bench.granted("drive", {{"locks", 1}, {"insertion_mm", 10.0}, {"curvature_per_mm", {0.0, 0.0}}});
  waiter.join();
  CHECK(heard.at("driven") == before.at("driven").get<int>() + 1);
  CHECK(heard.at("version") == before.at("version"));
  CHECK(hand.at("driven") == heard.at("driven"));
  CHECK(bench.granted("hand", {{"locks", 1}}).at("driven") == heard.at("driven"));
}

TEST_CASE("entering by another opening and back") {
  LiveBench bench("straight");
  bench.open();
  const Json channel = bench.granted("channel");
  const auto openings = channel.at("openings");
  if (openings.size() < 2) {
    CHECK(bench.refused("enter", {{"opening", 2}}).find("no opening") != std::string::npos);
    return;
  }
  const Json scene = bench.granted("enter", {{"opening", 2}});
  CHECK(scene.at("channel") != channel.at("channel"));
}

TEST_CASE(
    "a verdict stays where another count's station moved, and is asked anew where anything else changed") {
  LiveBench bench;
  bench.open();
  bench.granted("ask", {{"locks", {1, 0, 2}}});
  for (const int locks : {0, 1, 2}) bench.decided(locks);
  const auto answer = [&](int locks) {
    bench.decided(locks);
    return bench.desk().verdicts().cell(locks)->first_answer;
  };
  const auto without = answer(0), one = answer(1), two = answer(2);
  bench.edited("layout.1.station_mm", {47.0});
  CHECK(answer(0) == without);
  CHECK(answer(2) == two);
  const auto moved = answer(1);
  CHECK(moved != one);
  bench.granted("undo");
  CHECK(answer(1) != one);  // nothing is kept of a place where the station was
  CHECK(answer(2) == two);
  bench.edited("target.tolerance_mm", 1.6);
  CHECK(answer(0) != without);
  CHECK(answer(2) != two);
  bench.edited("layout.2.clock_deg", {0.0, 130.0});
  CHECK(bench.decided(2).contains("verdict"));
}

TEST_CASE("a question that its time leaves undecided is asked for longer, and its cell filled then") {
  const LiveBench bench;
  SceneKeeper keeper(bench.scene());
  auto scene = keeper.make(read_text(bench.scene()));
  REQUIRE(scene);
  const auto asked = [&](QuestionTimes times) {
    Questions questions(1, times);
    questions.start(*scene, {1});
    VerdictTable table = questions.table();
    while (!table.settled()) table = questions.wait(table.version, std::nullopt, 60.0);
    return *table.cell(1);
  };
  constexpr double kNoTime_s = 1e-9, kEnough_s = 1000.0;
  const Cell found = asked({kNoTime_s, kEnough_s});
  CHECK(found.stage == CellStage::finished);
  CHECK(found.answer->verdict == Verdict::reached);
  CHECK(found.first_answer == found.answer);  // it is kept where another count's station moves
  CHECK(asked({kNoTime_s, kNoTime_s}).answer->verdict == Verdict::undecided);
}

TEST_CASE("questions that come faster than they are answered: the newest is, and none is stuck") {
  constexpr unsigned kSeed = 3;
  INFO("seed " << kSeed);
  LiveBench bench;
  bench.open();
  std::mt19937 random(kSeed);
  std::uniform_real_distribution<double> station(10.0, 90.0);
  double last = 0.0;
  for (int turn = 0; turn < 60; ++turn) {
    last = std::round(10.0 * station(random)) / 10.0;
    bench.edited("layout.1.station_mm", {last}, "drag");
    if (turn % 9 == 8) bench.granted("cancel");
    if (turn % 5 == 0)
      std::this_thread::sleep_for(std::chrono::milliseconds(static_cast<int>(random() % 40)));
  }
  const auto table = bench.desk().verdicts();
  CHECK(table.scene->prepared.scene.layouts.at(1).station_mm[0] == last);
  bench.granted("ask", {{"locks", {1}}});
  CHECK(bench.decided(1).contains("verdict"));
  bench.granted("cancel");
  CHECK(bench.granted("verdicts").at("settled") == true);
}
