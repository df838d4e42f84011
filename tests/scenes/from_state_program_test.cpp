// SPDX-License-Identifier: GPL-3.0-or-later
// `withy plan --from`: from states of a plan on to the target and back out; and what if a lock sticks.
#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include "tests/support/run_program.h"
#include "tests/support/temporary_folder.h"

using namespace withy_test;
using Json = nlohmann::json;

namespace {

const std::string kScene = WITHY_SOURCE_DIR "/scenes/fold-chamber/scene.toml";

/// A folder with a plan of a shipped scene.
class Planned : public TemporaryFolder {
 public:
  Planned() {
    REQUIRE(withy({"plan", kScene, "--locks", "1", "-o", "out"}).status == 0);
    plan = Json::parse(read_text(path() / "out/plan.json"));
  }
  ProgramRun withy(std::vector<std::string> arguments) const {
    arguments.push_back("--quiet");
    return run_program(WITHY_PROGRAM, arguments, path());
  }
  /// Writes a state's file.
  void write_state(const std::string& name, Json state) const {
    state["format"] = "withy-state";
    state["version"] = 1;
    write_text(path() / name, state.dump());
  }
  Json plan;
};

}  // namespace

TEST_CASE("a plan begins in any state of another, on to the target or back out") {
  const Planned folder;
  const auto& states = folder.plan["states"];
  const std::size_t n = states.size();
  for (const std::size_t k : {n / 4, n / 2, 3 * n / 4}) {
    CAPTURE(k);
    folder.write_state("state.json", states[k]);
    REQUIRE(folder.withy({"plan", kScene, "--locks", "1", "--from", "state.json", "-o", "on"}).status == 0);
    const Json plan = Json::parse(read_text(folder.path() / "on/plan.json"));
    CHECK(plan["verdict"] == "reached");
    CHECK(plan["from_elsewhere"] == true);
    CHECK(plan["states"][0]["locked"] == states[k]["locked"]);
    CHECK(std::abs(plan["states"][0]["insertion_mm"].get<double>() -
                   states[k]["insertion_mm"].get<double>()) < 1e-9);
    CHECK(plan["states"].back()["insertion_mm"] == 0.0);
    CHECK(plan["summary"]["tip_error_mm"].get<double>() <= plan["summary"]["tip_tolerance_mm"].get<double>());
    for (const char* script : {"on/script.csv", "on/script.ngc"}) {
      const ProgramRun replay = folder.withy({"replay", script, kScene, "--from", "state.json"});
      CAPTURE(replay.err);
      CHECK(replay.status == 0);
      // Without the state the script does not start where it should.
      if (k != 0) CHECK(folder.withy({"replay", script, kScene}).status == 5);
    }
    CHECK(folder.withy({"recheck", "on/plan.json", kScene}).status == 0);

    REQUIRE(folder.withy({"plan", kScene, "--locks", "1", "--from", "state.json", "--out", "-o", "back"})
                .status == 0);
    const ProgramRun back =
        folder.withy({"replay", "back/script.csv", kScene, "--from", "back/start.json", "--out"});
    CAPTURE(back.err);
    CHECK(back.status == 0);
  }
}

TEST_CASE("every switch of a plan has a word on what is left where its lock sticks") {
  const Planned folder;
  std::size_t switches = 0;
  for (const auto& action : folder.plan["actions"]) switches += action.contains("lock");
  REQUIRE(folder.plan["stuck_locks"].size() == switches);
  for (const auto& stuck : folder.plan["stuck_locks"]) {
    const int action = stuck["action"].get<int>();
    CHECK(folder.plan["actions"][static_cast<std::size_t>(action)]["lock"] == stuck["lock"]);
    const std::string name = "out/recover-" + std::to_string(action + 1);
    CHECK(std::filesystem::exists(folder.path() / (name + ".csv")) == (stuck["out"] == true));
    if (stuck["out"] != true) {
      CHECK(stuck["blocked_by"].is_string());
      continue;
    }
    // The way holds by its script alone, from the state in which the lock sticks.
    for (const char* ending : {".csv", ".ngc"}) {
      const ProgramRun replay =
          folder.withy({"replay", name + ending, kScene, "--from", name + ".json", "--out"});
      CAPTURE(name, replay.err);
      CHECK(replay.status == 0);
    }
    // And the lock is not switched on the way.
    const std::string script = read_text(folder.path() / (name + ".ngc"));
    CHECK(script.find("SWITCH LOCK " + std::to_string(stuck["lock"].get<int>()) + " ") == std::string::npos);
  }
}

TEST_CASE("a state that no plan can begin in is refused, and nothing is written") {
  const Planned folder;
  const auto refused = [&](const Json& state, const std::string& why) {
    folder.write_state("state.json", state);
    const auto before = folder.listing();
    const ProgramRun run = folder.withy({"plan", kScene, "--locks", "1", "--from", "state.json", "-o", "on"});
    CAPTURE(run.err);
    CHECK(run.status == 2);
    CHECK(run.err.find(why) != std::string::npos);
    CHECK(folder.listing() == before);
  };
  Json engaged;
  for (const auto& state : folder.plan["states"])
    if (state["locked"][0] == true) engaged = state;
  REQUIRE(engaged.is_object());
  Json off = engaged;
  off["regions"][0]["curvature_per_mm"][0] = off["regions"][0]["curvature_per_mm"][0].get<double>() + 0.001;
  refused(off, "holds a bend between its notches");
  Json deep = engaged;
  deep["insertion_mm"] = 1e4;
  refused(deep, "insertion");
  Json locks = engaged;
  locks["locked"] = Json::array({true, false});
  refused(locks, "2 locks are listed, list 1");
  CHECK(folder.withy({"plan", kScene, "--out"}).status == 2);
  // What the way out has none of is not left out without a word.
  folder.write_state("state.json", engaged);
  CHECK(folder.withy({"plan", kScene, "--from", "state.json", "--out", "--picture", "way.svg"}).status == 2);
  CHECK(folder.withy({"plan", kScene, "--from", "state.json", "--out", "--recheck"}).status == 2);
}
