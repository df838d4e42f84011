// SPDX-License-Identifier: GPL-3.0-or-later
// The built program against wrong arguments and wrong files: never a signal, never exit status 1, never two
// lines, never more than ten seconds of processor time or 2 GB.
#include <algorithm>
#include <filesystem>
#include <string>
#include <vector>

#include <catch2/catch.hpp>
#include <sys/stat.h>

#include "tests/attack/limited_run.h"
#include "tests/support/sanitized.h"
#include "tests/support/temporary_folder.h"

using namespace withy_test;

namespace {

constexpr unsigned kMostProcessor_s = 10 * kTimesSlower;
constexpr long kMostMemory_kB = 2L * 1024 * 1024 * kTimesMemory;

const std::filesystem::path kSource = WITHY_SOURCE_DIR;

using Words = std::vector<std::string>;

/// A folder with a sound file of each kind.
class SoundFolder : public TemporaryFolder {
 public:
  SoundFolder() {
    const auto scenes = kSource / "tests/assets/scenes";
    std::filesystem::create_directory(path() / "bends");
    std::filesystem::copy(scenes / "full.toml", path() / "scene.toml");
    std::filesystem::copy(scenes / "tube.off", path() / "tube.off");
    // What the corpus's plans and proofs are of.
    std::filesystem::copy(kSource / "tests/fuzz/scene/scene.toml", path() / "bends/scene.toml");
    std::filesystem::copy(kSource / "scenes/double-bend/double-bend.stl", path() / "bends/double-bend.stl");
    for (const auto& [reader, name] : {std::pair{"plan", "plan.json"},
                                       {"csv", "script.csv"},
                                       {"ngc", "script.ngc"},
                                       {"recipe", "recipe.toml"},
                                       {"measured", "measured.csv"},
                                       {"targets", "targets.csv"},
                                       {"errors", "errors.toml"},
                                       {"proof", "no-way.proof"},
                                       {"study", "study.toml"}})
      std::filesystem::copy(kSource / "tests/fuzz/corpus" / reader / "0-sound", path() / name);
    std::filesystem::copy(kSource / "tests/fuzz/corpus/plan/hunt-not-allowed", path() / "forged.json");
    mkfifo((path() / "pipe.toml").c_str(), 0600);
    mkfifo((path() / "pipe.csv").c_str(), 0600);
    write_text(path() / "cut.json", "{ \"format\": \"withy-plan\",");
  }
};

/// What `status` may be: the input is wrong, or it was read and does not hold.
void check_refused(const SoundFolder& folder, const Words& words) {
  std::string line;
  for (const std::string& word : words) line += " " + word.substr(0, 60);
  CAPTURE(line);
  const auto before = folder.listing();
  const LimitedRun run = limited_run(WITHY_PROGRAM, words, folder.path(), kMostProcessor_s);
  CAPTURE(run.status, run.err.substr(0, 500));
  CHECK((run.status == 2 || run.status == 5));
  CHECK(std::count(run.err.begin(), run.err.end(), '\n') == 1);
  CHECK(run.err.find_first_of("\x1b\r\t") == run.err.npos);
  CHECK(run.most_memory_kB < kMostMemory_kB);
  CHECK(folder.listing() == before);
}

/// The text with the first `words` replaced.
std::string changed(std::string text, const std::string& words, const std::string& by) {
  const std::size_t at = text.find(words);
  REQUIRE(at != std::string::npos);
  return text.replace(at, words.size(), by);
}

/// Values that no option of a number takes.
const Words kNoNumbers = {"nan", "inf", "-inf", "1e308", "-1", "0x1", "", "x", "99999999999999999999"};

/// Each option of a number, in a line that would else be in order.
std::vector<std::pair<Words, std::string>> numeric_options() {
  const Words plan = {"plan", "scene.toml", "-q"};
  const Words place = {"place", "scene.toml", "--locks", "1", "-q"};
  const Words reach = {"reach", "scene.toml", "--targets", "targets.csv", "-q"};
  const Words fit = {"fit", "scene.toml", "measured.csv", "-q"};
  return {{plan, "--locks"},
          {plan, "--clearance"},
          {plan, "--budget"},
          {plan, "--seed"},
          {{"compare", "scene.toml", "-q"}, "--locks"},
          {{"compare", "scene.toml", "--locks", "0", "-q"}, "--budget"},
          {{"replay", "script.csv", "bends/scene.toml", "-q"}, "--clearance"},
          {{"script", "plan.json", "-q"}, "--budget"},
          {{"channel", "recipe.toml", "-o", "mesh.stl", "-q"}, "--budget"},
          {{"switch", "scene.toml", "-q"}, "--scale"},
          {place, "--step"},
          {place, "--clock-step"},
          {place, "--keep"},
          {place, "--work"},
          {reach, "--tolerance"},
          {reach, "--work"},
          {{"tolerance", "plan.json", "bends/scene.toml", "-q"}, "--samples"},
          {{"study", "study.toml", "-q"}, "--threads"},
          {{"study", "study.toml", "-q"}, "--shard"},
          {fit, "--pull-noise"},
          {fit, "--tip-noise"}};
}

}  // namespace

TEST_CASE("Sound files and lines are taken: what is refused below is refused for what was made wrong") {
  const SoundFolder folder;
  const Words bends = {"--scene", "bends/scene.toml"};
  const auto taken = [&](Words words, const Words& more = {}) {
    words.insert(words.end(), more.begin(), more.end());
    const LimitedRun run = limited_run(WITHY_PROGRAM, words, folder.path(), kMostProcessor_s);
    CAPTURE(words[0], run.err);
    CHECK(run.status == 0);
  };
  taken({"check", "scene.toml", "-q"});
  taken({"script", "plan.json", "-o", "rows.csv"}, bends);
  taken({"script", "plan.json", "-o", "program.ngc"}, bends);
  taken({"page", "plan.json", "-o", "page.html", "-q"}, bends);
  taken({"replay", "program.ngc", "bends/scene.toml", "-q"});
  taken({"recheck", "plan.json", "bends/scene.toml", "-q"});
  taken({"recheck", "no-way.proof", "bends/scene.toml", "-q"});
  taken({"tolerance", "plan.json", "bends/scene.toml", "--errors", "errors.toml", "--samples", "5", "-q"});
  taken({"channel", "recipe.toml", "-o", "mesh.stl"});
  taken({"reach", "scene.toml", "--targets", "targets.csv", "--work", "1000", "-q"});
}

TEST_CASE("Options take plain numbers within their ranges and nothing else") {
  const SoundFolder folder;
  for (const auto& [words, option] : numeric_options())
    for (const std::string& value : kNoNumbers) {
      Words line = words;
      // One word, so that a value that begins with a dash is not an option of its own.
      line.push_back(option + "=" + value);
      check_refused(folder, line);
    }
}

TEST_CASE("Files that are none, cut short, pipes, devices and folders are refused") {
  const SoundFolder folder;
  for (const std::string file :
       {"absent", ".", "/dev/zero", "pipe.toml", "pipe.csv", "/proc/self/mem", "tube.off"}) {
    check_refused(folder, {"check", file, "-q"});
    check_refused(folder, {"channel", file, "-o", "mesh.stl", "-q"});
    check_refused(folder, {"script", file, "-q"});
    check_refused(folder, {"replay", "script.csv", file, "-q"});
    check_refused(folder, {"reach", "scene.toml", "--targets", file, "-q"});
    check_refused(folder, {"tolerance", "plan.json", "bends/scene.toml", "--errors", file, "-q"});
    check_refused(folder, {"fit", "scene.toml", file, "-q"});
    check_refused(folder, {"study", file, "-q"});
    check_refused(folder, {"study", "--join", file, "-q"});
    check_refused(folder, {"recheck", file, "bends/scene.toml", "-q"});
    check_refused(folder, {"recheck", "no-way.proof", file, "-q"});
  }
  for (const std::string made : {"bomb", "packed-cut", "deep", "many-locks"}) {
    const auto file = (kSource / "tests/fuzz/corpus/proof" / made).string();
    check_refused(folder, {"recheck", file, "bends/scene.toml", "-q"});
  }
  check_refused(folder, {"script", "cut.json", "-q"});
  check_refused(folder, {"page", "cut.json", "-o", "page.html", "-q"});
}

TEST_CASE("Places that can't be written to are refused before any work, and inputs are never eaten") {
  const SoundFolder folder;
  std::filesystem::create_symlink("scene.toml", folder.path() / "link.csv");
  const std::string no_utf8 = "a\xff";
  for (const std::string& place :
       {std::string("scene.toml/out"), no_utf8, std::string(4000, 'a'), std::string(245, 'a') + "/out"}) {
    check_refused(folder, {"plan", "scene.toml", "-o", place, "-q"});
    check_refused(folder, {"compare", "scene.toml", "--locks", "0", "-o", place, "-q"});
    check_refused(folder, {"place", "scene.toml", "--locks", "1", "-o", place, "-q"});
    check_refused(folder, {"reach", "scene.toml", "--targets", "targets.csv", "-o", place, "-q"});
    check_refused(folder, {"switch", "scene.toml", "-o", place, "-q"});
    check_refused(folder, {"study", "study.toml", "-o", place, "-q"});
    check_refused(folder, {"channel", "recipe.toml", "-o", place});
    check_refused(folder, {"script", "plan.json", "-o", place});
  }
  for (const std::string place : {"plan.json", "/dev/null", ".", "link.csv", "pipe.csv"})
    check_refused(folder, {"script", "plan.json", "--scene", "bends/scene.toml", "-o", place});
  check_refused(folder, {"page", "plan.json", "-o", "plan.json", "-q"});
  // What a plan leads to is read as well.
  for (const std::string place : {"bends/scene.toml", "bends/double-bend.stl"}) {
    check_refused(folder, {"script", "plan.json", "--scene", "bends/scene.toml", "-o", place});
    check_refused(folder, {"page", "plan.json", "--scene", "bends/scene.toml", "-o", place, "-q"});
    check_refused(folder, {"plan", "bends/scene.toml", "--proof", place, "-q"});
    check_refused(folder, {"reach", "bends/scene.toml", "--targets", "targets.csv", "--proof", place, "-q"});
  }
  check_refused(folder, {"plan", "scene.toml", "-o", "out", "--proof", "out/plan.json", "-q"});
  check_refused(folder, {"plan", "scene.toml", "--picture", "one.svg", "--proof", "./one.svg", "-q"});
  check_refused(folder, {"plan", "scene.toml", "--picture", "one.svg", "-o", "one.svg", "-q"});
  std::filesystem::copy(folder.path() / "targets.csv", folder.path() / "reach.csv");
  std::filesystem::copy(folder.path() / "scene.toml", folder.path() / "place-2.toml");
  check_refused(folder, {"reach", "scene.toml", "--targets", "./reach.csv", "-o", ".", "-q"});
  check_refused(folder, {"place", "place-2.toml", "--locks", "1", "-o",
                         "../" + folder.path().filename().string(), "-q"});
  check_refused(folder, {"channel", "recipe.toml", "-o", "recipe.toml"});
  // A scene may have the name of what a command writes.
  for (const char* name : {"switch.txt", "compare.json", "sheet.csv"})
    std::filesystem::copy(folder.path() / "scene.toml", folder.path() / name);
  check_refused(folder, {"switch", "switch.txt", "-o", ".", "-q"});
  check_refused(folder, {"compare", "compare.json", "--locks", "0", "-o", ".", "-q"});
  check_refused(folder, {"sheet", "sheet.csv", "-o", ".", "-q"});
  std::filesystem::copy(folder.path() / "scene.toml", folder.path() / "sound.toml");
  std::filesystem::copy(folder.path() / "study.toml", folder.path() / "results.jsonl");
  check_refused(folder, {"study", "results.jsonl", "-o", ".", "-q"});
  std::filesystem::rename(folder.path() / "sound.toml", folder.path() / "summary.html");
  write_text(folder.path() / "on-page.toml",
             changed(read_text(folder.path() / "study.toml"), "sound.toml", "summary.html"));
  check_refused(folder, {"study", "on-page.toml", "-o", ".", "-q"});
  check_refused(folder, {"reach", "scene.toml", "--targets", "targets.csv", "-o", "out", "--proof",
                         "out/reach.json", "-q"});
  check_refused(folder, {"plan", "scene.toml", "--planner", "zz", "-q"});
  check_refused(folder, {"study", "study.toml", "--shard", "1/99999999999", "-q"});
}

TEST_CASE("A limit on the size of files is told, and nothing is left of what did not fit") {
  const SoundFolder folder;
  const auto before = folder.listing();
  for (const std::string line :
       {"channel recipe.toml -o mesh.stl", "script plan.json --scene bends/scene.toml -o rows.csv",
        "fit bends/scene.toml measured.csv --pull-noise 0.1 --tip-noise 0.1 -o fitted -q"}) {
    const LimitedRun run =
        limited_run("/bin/sh", {"-c", "ulimit -f 1; exec " + std::string(WITHY_PROGRAM) + " " + line},
                    folder.path(), kMostProcessor_s);
    CAPTURE(line, run.err);
    CHECK(run.status == 2);
    CHECK(std::count(run.err.begin(), run.err.end(), '\n') == 1);
    CHECK(folder.listing() == before);
  }
}

TEST_CASE("A plan that claims a hunt which touches the wall never becomes a script or a page") {
  const SoundFolder folder;
  check_refused(folder, {"script", "forged.json", "--scene", "bends/scene.toml"});
  check_refused(folder, {"script", "forged.json", "--scene", "bends/scene.toml", "-o", "forged.ngc"});
  check_refused(folder, {"page", "forged.json", "--scene", "bends/scene.toml", "-o", "forged.html", "-q"});
}

TEST_CASE("Standard streams that are closed are no fault, and nothing ends up in an answer in their place") {
  const SoundFolder folder;
  const auto shell = [&](const std::string& words) {
    return limited_run("/bin/sh", {"-c", std::string(WITHY_PROGRAM) + " " + words}, folder.path(),
                       kMostProcessor_s)
        .status;
  };
  CHECK(shell("check absent 2>&-") == 2);
  CHECK(shell("check absent 0<&- 1>&- 2>&-") == 2);
  CHECK(shell("script plan.json --scene bends/scene.toml -o rows.csv 2>&-") == 0);
  // The name of the file can't be said, which is missed; the file is whole all the same.
  CHECK(shell("script plan.json --scene bends/scene.toml -o other.csv 0<&- 1>&- 2>&-") == 1);
  CHECK(read_text(folder.path() / "rows.csv") == read_text(folder.path() / "other.csv"));
  const LimitedRun full = limited_run(
      "/bin/sh",
      {"-c", std::string(WITHY_PROGRAM) + " script plan.json --scene bends/scene.toml > /dev/full"},
      folder.path(), kMostProcessor_s);
  CHECK(full.status == 1);
  CHECK(full.err == "withy: standard output can't be written\n");
}

TEST_CASE("Names with a zero byte, recipes without bounds and figures that are made up are refused") {
  const SoundFolder folder;
  const auto with = [&](const std::string& file, const std::string& words, const std::string& by) {
    write_text(folder.path() / ("changed-" + file), changed(read_text(folder.path() / file), words, by));
  };
  with("scene.toml", "tube.off", "tube.off\\u0000.stl");
  check_refused(folder, {"check", "changed-scene.toml", "-q"});
  for (const auto& [words, by] : {std::pair{"length_mm = 110", "length_mm = 1e12"},
                                  {"radius_mm = 5", "radius_mm = 1000"},
                                  {"edge_length_mm = 1.2", "edge_length_mm = 0.01"},
                                  {"edge_length_mm = 1.2", "edge_length_mm = 1.2\nsides = 1000000"}}) {
    with("recipe.toml", words, by);
    check_refused(folder, {"channel", "changed-recipe.toml", "-o", "mesh.stl"});
  }
  for (const auto& [words, by] : {std::pair{"\"clearance_mm\":5.95", "\"clearance_mm\":99.5"},
                                  {"\"tension_max_N\":14.", "\"tension_max_N\":1."},
                                  {"\"field_reserve\":1.", "\"field_reserve\":9."},
                                  {"\"pull_mm\":[0.0", "\"pull_mm\":[0.5"},
                                  {"\"tip_mm\":[", "\"tip_mm\":[7"}}) {
    with("plan.json", words, by);
    CAPTURE(by);
    check_refused(folder,
                  {"page", "changed-plan.json", "--scene", "bends/scene.toml", "-o", "page.html", "-q"});
  }
}

TEST_CASE("A plan with a typo in it never becomes a script or a page") {
  const SoundFolder folder;
  const std::string plan = read_text(folder.path() / "plan.json");
  // The plan advances, bends, and comes back the same way.
  const std::vector<std::pair<std::string, std::string>> typos = {
      {"\"insertion_mm\":", "\"insertion_mm\":5000"},
      {"\"insertion_mm\":", "\"insertion_mm\":-50"},
      {"\"insertion_mm\":", "\"insertion_mm\":1"},
      {"\"curvature_per_mm\":[", "\"curvature_per_mm\":[10"},
      {"\"curvature_per_mm\":[", "\"curvature_per_mm\":[1e300"},
      {"\"to\":", "\"to\":0"},
      {"\"from\":", "\"from\":1"},
      {"\"locks\": ", "\"locks\": 7"}};
  for (const auto& [key, by] : typos)
    for (int which = 0; which < 2; ++which) {
      std::string text = plan;
      std::size_t at = text.find(key);
      for (int i = 0; i < which && at != text.npos; ++i) at = text.find(key, at + 1);
      if (at == text.npos) continue;
      const std::size_t end = text.find_first_of(",]}", at + key.size());
      if (text.substr(at, end - at) == by) continue;
      text.replace(at, end - at, by);
      write_text(folder.path() / "typo.json", text);
      check_refused(folder, {"script", "typo.json", "--scene", "bends/scene.toml"});
      if (which == 0)
        check_refused(folder, {"page", "typo.json", "--scene", "bends/scene.toml", "-o", "typo.html", "-q"});
    }
}
