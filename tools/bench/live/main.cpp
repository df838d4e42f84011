// SPDX-License-Identifier: GPL-3.0-or-later
// How long a user of `withy live` waits: from a station that is dragged to its fresh, final verdict, and from
// a move of the hand to the body's new place. Asked of the desk over JSON, as its page asks, without the
// network. No position is asked about twice. Times are wall clock; beside them stands what all threads
// together computed meanwhile, which a busy machine changes less. Passes or fails nothing.
#include <algorithm>
#include <chrono>
#include <cmath>
#include <ctime>
#include <filesystem>
#include <map>
#include <random>

#include <CLI/CLI.hpp>
#include <fmt/format.h>
#include <fmt/ranges.h>
#include <nlohmann/json.hpp>

#include "planner/live/desk.h"
#include "tests/support/temporary_folder.h"
#include "tools/bench/support/machine.h"

using namespace withy;
using Json = nlohmann::json;

namespace {

struct Options {
  std::filesystem::path scene = WITHY_SOURCE_DIR "/scenes/double-bend/scene.toml";
  int locks = 1;
  int drags = 200;
  int moves = 1000;
  int workers = 2;
  unsigned seed = 1;
  bool each = false;
  std::vector<double> stations_mm;  // of one lock: dragged there in turn instead of at random
};

double ms_since(std::chrono::steady_clock::time_point since) {
  return 1e3 * std::chrono::duration<double>(std::chrono::steady_clock::now() - since).count();
}

Json asked(Desk& desk, const char* name, const Json& body) {
  const DeskReply reply = desk.ask(name, body.dump());
  Json answer = Json::parse(reply.body);
  if (reply.kind != ReplyKind::done) answer["refused"] = true;
  return answer;
}

/// Processor time of all threads so far.
double processor_ms() {
  return 1e3 * static_cast<double>(std::clock()) / CLOCKS_PER_SEC;
}

/// Percentile by the sample nearest in rank.
double percentile(std::vector<double> samples, double share) {
  if (samples.empty()) return 0.0;
  std::sort(samples.begin(), samples.end());
  return samples[static_cast<std::size_t>(std::lround(share * static_cast<double>(samples.size() - 1)))];
}

void print(const std::string& what, const std::vector<double>& ms) {
  fmt::print("{}: {} times, median {:.1f} ms, 95th percentile {:.1f} ms, longest {:.1f} ms\n", what,
             ms.size(), percentile(ms, 0.5), percentile(ms, 0.95), percentile(ms, 1.0));
  std::fflush(stdout);
}

/// The verdict of that lock count as soon as it is final.
std::string verdict_of(Desk& desk, const Json& revision, int locks) {
  Json seen = -1;
  while (true) {
    const Json table = asked(desk, "verdicts", {{"seen", seen}, {"wait_s", 20}});
    seen = table.at("version");
    if (table.at("revision") != revision) continue;
    for (const Json& cell : table.at("cells"))
      if (cell.at("locks") == locks && (cell.contains("verdict") || cell.at("stage") == "refused"))
        return cell.value("verdict", "refused");
  }
}

void drag(Desk& desk, const Options& options, const Json& design) {
  std::mt19937 random(options.seed);
  const double length = design.at("length_mm");
  std::normal_distribution<double> step(0.0, 0.02 * length);
  std::vector<double> station = design.at("station_mm").get<std::vector<double>>();
  std::vector<double> ms, computed_ms;
  std::map<std::string, std::vector<double>> computed_by_verdict_ms;
  int refused = 0;
  const auto drags = options.stations_mm.empty() ? options.drags : std::ssize(options.stations_mm);
  for (std::ptrdiff_t turn = 0; turn < drags; ++turn) {
    std::vector<double> next = station;
    double& moved = next[random() % next.size()];
    moved = options.stations_mm.empty() ? std::clamp(moved + step(random), 0.05 * length, 0.95 * length)
                                        : options.stations_mm[static_cast<std::size_t>(turn)];
    const auto since = std::chrono::steady_clock::now();
    const double computed_before_ms = processor_ms();
    const Json scene = asked(
        desk, "edit",
        {{"gesture", "drag"},
         {"changes", {{{"key", fmt::format("layout.{}.station_mm", options.locks)}, {"value", next}}}}});
    if (scene.contains("refused")) {
      ++refused;
      continue;
    }
    station = next;
    const std::string verdict = verdict_of(desk, scene.at("revision"), options.locks);
    ms.push_back(ms_since(since));
    computed_ms.push_back(processor_ms() - computed_before_ms);
    computed_by_verdict_ms[verdict].push_back(computed_ms.back());
    if (options.each)
      fmt::print("{:.3f} mm: {}, {:.1f} ms, {:.1f} ms computed\n", fmt::join(station, ", "), verdict,
                 ms.back(), computed_ms.back());
    std::fflush(stdout);
  }
  print("drag of a station to a final verdict", ms);
  print("  processor time of all threads meanwhile", computed_ms);
  for (const auto& [verdict, of_it_ms] : computed_by_verdict_ms) print("    of " + verdict, of_it_ms);
  if (refused > 0) fmt::print("  places where no lock can be, not counted: {}\n", refused);
}

void drive(Desk& desk, const Options& options) {
  std::mt19937 random(options.seed);
  std::uniform_real_distribution<double> any(-1.0, 1.0);
  std::vector<double> ms;
  double d = 0.0;
  Json hand = asked(desk, "hand", {{"locks", options.locks}});
  const double limit = hand.at("curvature_max_per_mm");
  int stopped = 0;
  for (int turn = 0; turn < options.moves; ++turn) {
    const Json& u = hand.at("state").at("regions").back().at("curvature_per_mm");
    const Json to = {u[0].get<double>() + 0.2 * limit * any(random),
                     u[1].get<double>() + 0.2 * limit * any(random)};
    d = std::max(0.0, hand.at("state").at("insertion_mm").get<double>() + 4.0 * any(random) + 0.5);
    const auto since = std::chrono::steady_clock::now();
    hand = asked(desk, "drive", {{"locks", options.locks}, {"insertion_mm", d}, {"curvature_per_mm", to}});
    ms.push_back(ms_since(since));
    stopped += hand.at("made") == false;
  }
  print("move of the hand to the body's new place", ms);
  fmt::print("  stopped by a limit: {}\n", stopped);
}

}  // namespace

int main(int argument_count, char** arguments) {
  Options options;
  CLI::App app("how long a user of withy live waits");
  app.add_option("--scene", options.scene, "scene file");
  app.add_option("--locks", options.locks, "locks of the segment that is dragged and driven")
      ->check(CLI::Range(1, 8));
  app.add_option("--drags", options.drags, "how many")->check(CLI::NonNegativeNumber);
  app.add_option("--moves", options.moves, "moves of the hand")->check(CLI::NonNegativeNumber);
  app.add_option("--workers", options.workers, "lock counts asked about at a time")->check(CLI::Range(1, 64));
  app.add_option("--stations", options.stations_mm, "drag one station to these places (mm) instead");
  app.add_flag("--each", options.each, "print every drag");
  app.add_option("--seed", options.seed, "of the drags and moves");
  CLI11_PARSE(app, argument_count, arguments);

  const withy_test::TemporaryFolder folder;
  for (const auto& entry : std::filesystem::directory_iterator(options.scene.parent_path()))
    if (entry.is_regular_file()) std::filesystem::copy(entry.path(), folder.path() / entry.path().filename());
  auto desk = Desk::open(folder.path() / options.scene.filename(), options.workers);
  if (!desk) {
    fmt::print(stderr, "{}\n", desk.error().message());
    return 2;
  }
  fmt::print("{}, commit {}, seed {}, {} workers\n", bench::processor(), bench::commit(), options.seed,
             options.workers);
  const Json scene = asked(**desk, "scene", Json::object());
  for (const Json& design : scene.at("designs"))
    if (design.at("locks") == options.locks) drag(**desk, options, design.at("design"));
  drive(**desk, options);
  return 0;
}
