// SPDX-License-Identifier: GPL-3.0-or-later
// What is there after kill -9: a whole answer, or the one from before, or none; and nothing is left over once
// the next run has written.
//
// WITHY_KILLS=200 build/tests/test_attack "[kills]" kills the program 200 times instead of 20.
#include <algorithm>
#include <chrono>
#include <csignal>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <map>
#include <random>
#include <set>
#include <string>
#include <thread>
#include <vector>

#include <catch2/catch.hpp>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#include "planner/files/file_output.h"
#include "tests/support/run_program.h"
#include "tests/support/temporary_folder.h"

using namespace withy_test;
namespace fs = std::filesystem;

namespace {

constexpr unsigned kSeed = 17;

int kills_wanted() {
  const char* said = std::getenv("WITHY_KILLS");  // NOLINT(concurrency-mt-unsafe)
  return said == nullptr ? 20 : std::atoi(said);
}

/// Names below the folder that no answer has: what a dead process left.
std::set<std::string> leftovers(const TemporaryFolder& folder) {
  std::set<std::string> left;
  for (const std::string& name : folder.listing())
    if (name.find(".withy-") != name.npos || name.find(".tmp") != name.npos) left.insert(name);
  return left;
}

bool has(const fs::path& file, const std::string& words) {
  return read_text(file).find(words) != std::string::npos;
}

/// An answer of three files that carry their number, and sometimes a fourth.
void write_answer(const fs::path& place, int number) {
  withy::FileBatch batch;
  batch.owns(place, {"a", "b", "c", "d"});
  for (const char* name : {"a", "b", "c"}) batch.add(place / name, std::to_string(number));
  if (number % 2 == 0) batch.add(place / "d", std::to_string(number));
  if (!batch.commit()) _exit(3);
}

/// The number that all files of the answer carry; a failure where they differ or one is missing.
void check_whole(const fs::path& place) {
  std::set<std::string> numbers;
  for (const char* name : {"a", "b", "c"}) {
    REQUIRE(fs::exists(place / name));
    numbers.insert(read_text(place / name));
  }
  CHECK(numbers.size() == 1);
  const bool even = std::stoi(*numbers.begin()) % 2 == 0;
  CHECK(fs::exists(place / "d") == even);
  if (even) CHECK(read_text(place / "d") == *numbers.begin());
}

}  // namespace

TEST_CASE("A process that is killed while it replaces answers leaves a whole one, and the user's own files") {
  const TemporaryFolder folder;
  const fs::path place = folder.path() / "out";
  fs::create_directories(place / "mine/deep");
  write_text(place / "notes.txt", "mine");
  write_text(place / "mine/deep/notes.txt", "mine too");
  fs::create_symlink("notes.txt", place / "link");
  std::mt19937 random(kSeed);
  constexpr int kTimes = 60;
  for (int i = 0; i < kTimes; ++i) {
    const pid_t child = fork();
    REQUIRE(child >= 0);
    if (child == 0)
      for (int number = 0;; ++number) write_answer(place, number);
    std::this_thread::sleep_for(std::chrono::microseconds(5000 + random() % 20000));
    kill(child, SIGKILL);
    waitpid(child, nullptr, 0);
    INFO("seed " << kSeed << ", kill " << i);
    if (fs::exists(place / "a")) check_whole(place);
    CHECK(read_text(place / "notes.txt") == "mine");
  }
  write_answer(place, 7);
  check_whole(place);
  CHECK(leftovers(folder).empty());
  CHECK(fs::is_symlink(place / "link"));
  // The listing tells a link by what it leads to.
  CHECK(folder.listing() == std::set<std::string>{"out", "out/a", "out/b", "out/c", "out/mine",
                                                  "out/mine/deep", "out/mine/deep/notes.txt",
                                                  "out/notes.txt"});
  CHECK(read_text(place / "mine/deep/notes.txt") == "mine too");
}

TEST_CASE("What killed processes left is cleared where its name is taken, and given back where it is not") {
  const TemporaryFolder folder;
  const fs::path place = folder.path() / "out";
  write_answer(place, 1);
  write_text(place / "runs", "new");
  // A folder that an answer took the place of, its writer killed before it could go.
  fs::create_directory(folder.path() / ".out.withy-0000dead");
  for (const char* name : {"a", "runs", "notes"})
    write_text(folder.path() / ".out.withy-0000dead" / name, "old");
  write_text(folder.path() / ".probe.withy-0000beef", "");
  write_text(folder.path() / ".out.withy-notes", "the user's own");
  REQUIRE(withy::check_output_folder(folder.path() / "other").has_value());
  write_answer(place, 3);
  check_whole(place);
  CHECK(leftovers(folder) == std::set<std::string>{".out.withy-notes"});
  CHECK(read_text(place / "runs") == "new");
  CHECK(read_text(place / "notes") == "old");
}

TEST_CASE("Links that are planted where an answer goes are replaced, not followed") {
  const TemporaryFolder folder;
  const fs::path place = folder.path() / "out";
  write_text(folder.path() / "victim", "untouched");
  fs::create_directory(place);
  fs::create_symlink(folder.path() / "victim", place / "a");
  write_answer(place, 1);
  CHECK(read_text(folder.path() / "victim") == "untouched");
  CHECK_FALSE(fs::is_symlink(place / "a"));
  fs::create_symlink(folder.path() / "victim", folder.path() / "single");
  CHECK_FALSE(withy::check_output_file(folder.path() / "single").has_value());
  REQUIRE(withy::write_whole(folder.path() / "single", "new").has_value());
  CHECK(read_text(folder.path() / "victim") == "untouched");
}

TEST_CASE("An answer in the working folder is written in place, without an old one's files") {
  const TemporaryFolder folder;
  const fs::path before = fs::current_path();
  fs::current_path(folder.path());
  write_answer(".", 2);
  write_answer(".", 3);
  fs::current_path(before);
  CHECK(folder.listing() == std::set<std::string>{"a", "b", "c"});
  CHECK(read_text(folder.path() / "a") == "3");
}

namespace {

const fs::path kScenes = fs::path(WITHY_SOURCE_DIR) / "scenes";
const fs::path kCorpus = fs::path(WITHY_SOURCE_DIR) / "tests/fuzz/corpus";

/// Two scenes that differ in their titles, so that a mixture of two answers shows.
struct KillFolder : TemporaryFolder {
  KillFolder() {
    fs::copy(kScenes / "straight/straight.stl", path() / "straight.stl");
    const std::string scene = read_text(kScenes / "straight/scene.toml");
    const std::size_t at = scene.find("title = \"") + 9;
    const std::size_t end = scene.find('"', at);
    for (const char* name : {"first", "second"})
      write_text(path() / (std::string(name) + ".toml"),
                 scene.substr(0, at) + name + " title" + scene.substr(end));
    fs::copy(kCorpus / "recipe/0-sound", path() / "recipe.toml");
    fs::copy(kCorpus / "measured/0-sound", path() / "measured.csv");
    write_text(path() / "study.toml",
               "title = \"kills\"\nscenes = [\"first.toml\", \"second.toml\"]\nlocks = [0]\nseeds = [1]\n"
               "budget_work_s = 0.01\n");
  }
};

/// All files of the answer there that name their scene, if any, name the same one.
void check_one_title(const fs::path& place, const std::vector<std::string>& names) {
  if (!fs::exists(place)) return;
  std::set<std::string> titles;
  for (const std::string& name : names) {
    REQUIRE(fs::exists(place / name));
    for (const char* title : {"first title", "second title"})
      if (has(place / name, title)) titles.insert(title);
  }
  CHECK(titles.size() == 1);
}

/// All files of the answer are there, or none is.
void check_all_or_none(const fs::path& place, const std::vector<std::string>& names) {
  const auto there = std::count_if(names.begin(), names.end(),
                                   [&](const std::string& name) { return fs::exists(place / name); });
  CAPTURE(place.filename().string(), there);
  CHECK((there == 0 || there == std::ssize(names)));
}

}  // namespace

TEST_CASE("Programs that are killed leave no mixture and, after the next run, nothing over", "[kills]") {
  const KillFolder folder;
  std::mt19937 random(kSeed);
  const std::vector<std::vector<std::string>> commands = {
      {"plan", "first.toml", "-o", "out", "-q"},
      {"plan", "second.toml", "-o", "out", "-q"},
      {"place", "first.toml", "--locks", "1", "--step", "20", "--trials", "0", "--work", "1000", "-o",
       "placed", "-q"},
      {"channel", "recipe.toml", "-o", "mesh.stl"},
      {"study", "study.toml", "-o", "studied", "-q"},
      {"tolerance", "out/plan.json", "second.toml", "--samples", "2", "-o", "errors", "-q"},
      {"fit", "first.toml", "measured.csv", "--pull-noise", "0.1", "--tip-noise", "0.1", "-o", "fitted",
       "-q"}};
  // What each answer consists of, all of it or none.
  const std::vector<std::pair<std::string, std::vector<std::string>>> answers = {
      {"errors", {"tolerance.json", "tolerance.csv"}},
      {"fitted", {"fit.txt", "fit.json", "residuals.svg", "fitted-scene.toml"}},
      {"studied", {"results.csv", "results.jsonl", "timings.csv", "summary.html"}}};
  // How long each takes, once, for kills all along it.
  std::vector<double> seconds;
  for (const auto& command : commands) {
    const auto since = std::chrono::steady_clock::now();
    REQUIRE(run_program(WITHY_PROGRAM, command, folder.path()).status >= 0);
    seconds.push_back(std::chrono::duration<double>(std::chrono::steady_clock::now() - since).count());
  }
  const std::string mesh = read_text(folder.path() / "mesh.stl");
  const std::set<std::string> placed = [&] {
    std::set<std::string> names;
    for (const auto& entry : fs::directory_iterator(folder.path() / "placed"))
      names.insert(entry.path().filename());
    return names;
  }();
  for (int i = 0; i < kills_wanted(); ++i) {
    const auto which = static_cast<std::size_t>(i) % commands.size();
    if (i % 3 == 0)
      for (const char* name : {"placed", "studied", "mesh.stl", "errors", "fitted"})
        fs::remove_all(folder.path() / name);
    if (i % 6 == 0) fs::remove_all(folder.path() / "out");
    {
      const RunningProgram running(WITHY_PROGRAM, commands[which], folder.path());
      std::this_thread::sleep_for(
          std::chrono::duration<double>(seconds[which] * static_cast<double>(random() % 1000) / 900.0));
    }  // killed here, where it has not ended
    INFO("seed " << kSeed << ", kill " << i << " of " << commands[which].front());
    check_one_title(folder.path() / "out", {"plan.json", "script.csv", "script.ngc", "page.html"});
    if (fs::exists(folder.path() / "mesh.stl")) CHECK(read_text(folder.path() / "mesh.stl") == mesh);
    if (fs::exists(folder.path() / "placed"))
      for (const std::string& name : placed) CHECK(fs::exists(folder.path() / "placed" / name));
    for (const auto& [place, names] : answers) check_all_or_none(folder.path() / place, names);
  }
  for (const auto& command : commands) run_program(WITHY_PROGRAM, command, folder.path());
  CHECK(leftovers(folder).empty());
  check_one_title(folder.path() / "out", {"plan.json", "script.csv", "script.ngc", "page.html"});
}
