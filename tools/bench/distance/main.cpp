// SPDX-License-Identifier: GPL-3.0-or-later
// What the clearance of a body costs: ours against CGAL, FCL and Embree, over mesh sizes, on a smooth and on
// a rough tube. Prints medians with the tenth and ninetieth percentile; passes or fails nothing.
#include <algorithm>
#include <cmath>
#include <cstdio>
#include <filesystem>
#include <memory>
#include <random>
#include <string>
#include <thread>
#include <vector>

#include <CLI/CLI.hpp>
#include <fmt/format.h>
#include <sched.h>
#include <unistd.h>

#include "geometry/distance/lanes.h"
#include "geometry/mesh/mesh.h"
#include "planner/proof/lemmas/body_clearance.h"
#include "planner/proof/lemmas/verify.h"
#include "planner/segment/shape.h"
#include "tests/support/tube.h"
#include "tools/bench/distance/rivals.h"
#include "tools/bench/distance/timing.h"
#include "tools/bench/support/machine.h"

using namespace withy;
using namespace withy::bench;

namespace {

constexpr double kSpacing_mm = 0.25;
constexpr double kRequired_mm = 0.2;
constexpr std::uint32_t kSeed = 1;
/// So many states that their look-ups, put in any order, do not all stay in a core's own caches.
constexpr int kStates = 4096;
constexpr int kStations = 100;
constexpr int kBatch = 64;

struct Options {
  std::vector<int> sizes = {2000, 20000, 200000, 2000000};
  double seconds = 0.4;  ///< for each line
  bool rivals = true;
};

/// Holds this thread to one core, or lets it go.
void hold_to_one_core(bool hold) {
  static const cpu_set_t all = [] {
    cpu_set_t set;
    sched_getaffinity(0, sizeof set, &set);
    return set;
  }();
  cpu_set_t set = all;
  if (hold) {
    CPU_ZERO(&set);
    for (int cpu = 0; cpu < CPU_SETSIZE; ++cpu)
      if (CPU_ISSET(cpu, &all)) {
        CPU_SET(cpu, &set);
        break;
      }
  }
  sched_setaffinity(0, sizeof set, &set);
}

template <class F>
double seconds_of(F&& run) {
  const auto begin = std::chrono::steady_clock::now();
  run();
  return std::chrono::duration<double>(std::chrono::steady_clock::now() - begin).count();
}

/// A segment with one lock: two arcs, two rigid spans, kStations stations.
Design make_design() {
  DesignParts parts;
  parts.segment = {100.0, 1.5, 3.0, 0.04, 900.0};
  LockHardware lock;
  lock.body_length_mm = 4.0;
  lock.body_radius_mm = 1.5;
  lock.magnet_Am2 = 0.004;
  lock.angle_latched_rad = 1.5;
  lock.switch_torque_Nmm = 0.01;
  lock.hold_torque_Nmm = 0.004;
  lock.hold_moment_Nmm = 60.0;
  parts.lock = lock;
  parts.layout.station_mm = {50.0};
  parts.layout.clock_rad = {0.0};
  parts.carriage.insertion_max_mm = 110.0;
  return Design::make(parts).value();
}
constexpr double kStationSpacing_mm = 1.0225;

/// Bodies that lie along the tube, all of them past the entry plane.
std::vector<State> make_states(const Design& design, const testing::TubeShape& tube) {
  const double kappa = tube.bend_rad / tube.length_mm;
  std::mt19937 random(kSeed);
  std::uniform_real_distribution<double> any(-1.0, 1.0);
  std::vector<State> states;
  for (int i = 0; i < kStates; ++i) {
    State state;
    state.insertion_mm = 102.0 + 1.9 * any(random);
    state.engaged.set(0);
    const double flexible = design.flexible_length(0.0, design.station_mm(0));
    state.theta_frozen = {flexible * Eigen::Vector2d(kappa + 0.001 * any(random), 0.001 * any(random))};
    state.u_free = {kappa + 0.0015 * any(random), 0.0015 * any(random)};
    states.push_back(state);
  }
  return states;
}

/// As many states, each a small step from the one before: what a search asks for.
std::vector<State> make_walk(const std::vector<State>& states) {
  std::mt19937 random(kSeed + 1);
  std::uniform_real_distribution<double> any(-1.0, 1.0);
  std::vector<State> walk = {states.front()};
  while (static_cast<int>(walk.size()) < kStates) {
    State state = walk.back();
    state.insertion_mm = std::clamp(state.insertion_mm + 0.1 * any(random), 100.1, 103.9);
    const Eigen::Vector2d u = state.u_free + 2e-5 * Eigen::Vector2d(any(random), any(random));
    if ((u - states.front().u_free).norm() < 0.0015) state.u_free = u;
    walk.push_back(state);
  }
  return walk;
}

class Table {
 public:
  explicit Table(double floor_us) : floor_us_(floor_us) {}
  void set_ours(double us) { ours_us_ = us; }
  void line(const std::string& name, const Spread& spread, const std::string& note = "") const {
    const std::string ratio =
        ours_us_ > 0.0 ? fmt::format("{:9.2f}", spread.median / ours_us_) : std::string(9, ' ');
    fmt::print("  {:<44} {:>11.3f} {:>11.3f} {:>11.3f} {} {}\n", name, spread.median, spread.p10, spread.p90,
               ratio, note);
    std::fflush(stdout);
  }
  double floor_us() const { return floor_us_; }

 private:
  double floor_us_ = 0.0;
  double ours_us_ = 0.0;
};

std::vector<Body> make_bodies(const Design& design, const BodySampler& sampler,
                              const std::vector<State>& states) {
  std::vector<Body> bodies;
  for (std::size_t i = 0; i < 256; ++i)
    bodies.push_back({sampler.reference_points(states[i * states.size() / 256]), design.segment().radius_mm});
  return bodies;
}

const State& state(const std::vector<State>& of, int i) {
  return of[static_cast<std::size_t>(i) % of.size()];
}

/// Margins of the body whose points were placed last.
void look_up(const BodyCheck& check, BallMarginsLoop loop, BodyPoints& points) {
  const BodySampler& sampler = check.sampler();
  const Balls balls{points.x.data(),           points.y.data(),     points.z.data(),
                    sampler.radii_mm().data(), points.slack.data(), sampler.padded_count()};
  BallMargins found;
  loop(check.field().view(), balls, points.lower.data(), found);
  keep(static_cast<double>(found.least));
}

/// The loops for any machine, and kinematics without loops.
void time_slow_twins(const BodyCheck& check, const std::vector<State>& states, const std::vector<State>& walk,
                     BodyPoints& points, double seconds, const Table& table) {
  const BodySampler& sampler = check.sampler();
  const Design& design = sampler.design();
  const BodySampler portable(design, kStationSpacing_mm, kBodyLoopsPortable);
  table.line("ours without AVX2", time_calls(
                                      [&](int i) {
                                        portable.place(state(walk, i), points);
                                        look_up(check, &ball_margins_portable, points);
                                      },
                                      kBatch, seconds));
  table.line("kinematics, double precision, point by point",
             time_calls(
                 [&](int i) {
                   const Shape shape(design, state(states, i));
                   double sum = 0.0;
                   for (int j = 0; j < sampler.count(); ++j) sum += shape.point_E(sampler.station_mm(j)).x();
                   keep(sum);
                 },
                 1, seconds));
}

/// Times ours; returns the median of the scattered case.
double time_ours(const BodyCheck& check, const std::vector<State>& states, double seconds) {
  const BodySampler& sampler = check.sampler();
  BodyPoints points = check.make_points();
  const std::vector<State> walk = make_walk(states);
  const auto place = time_calls(
      [&](int i) {
        sampler.place(state(states, i), points);
        keep(static_cast<double>(points.x[50]));
      },
      kBatch, seconds);
  std::fill(points.slack.begin(), points.slack.end(), 0.0F);
  const auto look = time_calls([&](int) { look_up(check, ball_margins_loop(), points); }, kBatch, seconds);
  Table table(place.median + look.median);
  const auto scattered =
      time_calls([&](int i) { keep(check.evaluate(state(states, i), points, kRequired_mm).least.value); },
                 kBatch, seconds);
  table.set_ours(scattered.median);
  fmt::print("  {:<44} {:>11} {:>11} {:>11} {:>9}\n", "microseconds a body", "median", "p10", "p90",
             "to ours");
  table.line("ours, kinematics included, states in any order", scattered,
             fmt::format("{:.2f} times the floor", scattered.median / table.floor_us()));
  table.line(
      "ours, each state a step from the last",
      time_calls([&](int i) { keep(check.evaluate(state(walk, i), points, kRequired_mm).least.value); },
                 kBatch, seconds));
  table.line("ours, with the whole body's bound", time_calls(
                                                      [&](int i) {
                                                        const auto m = check.evaluate(state(walk, i), points,
                                                                                      kRequired_mm);
                                                        keep(check.whole_body(m, points).value);
                                                      },
                                                      kBatch, seconds));
  table.line("floor: kinematics, vector", place);
  table.line("floor: look-up, the same body again", look);
  time_slow_twins(check, states, walk, points, seconds, table);
  return scattered.median;
}

void time_rivals(const std::vector<Rival>& rivals, const std::vector<Body>& bodies, double ours_us,
                 double seconds) {
  Table table(0.0);
  table.set_ours(ours_us);
  for (const Rival& rival : rivals)
    table.line(
        rival.name,
        time_calls([&](int i) { keep(rival.ask(bodies[static_cast<std::size_t>(i) % bodies.size()])); }, 1,
                   seconds));
}

/// How ours and the exact clearance differ over the bodies.
void compare_answers(const BodyCheck& check, const std::vector<State>& states,
                     const std::vector<Body>& bodies, const Rival& exact) {
  BodyPoints points = check.make_points();
  double most = 0.0;
  double sum = 0.0;
  int above = 0;
  int free = 0;
  for (std::size_t i = 0; i < bodies.size(); ++i) {
    const double ours =
        check.evaluate(states[i * states.size() / bodies.size()], points, -kRequired_mm).least.value;
    const double truth = exact.ask(bodies[i]);
    if (ours > truth) ++above;
    if (truth < kRequired_mm || ours < 0.0) continue;
    ++free;
    most = std::max(most, truth - ours);
    sum += truth - ours;
  }
  fmt::print(
      "  ours is below the exact clearance by {:.4f} mm on average, {:.4f} at most ({} bodies clear of the "
      "wall), "
      "above it {} times of {}\n",
      sum / std::max(1, free), most, free, above, bodies.size());
}

void time_motions(const Design& design, const std::shared_ptr<const DistanceField>& field,
                  const std::vector<State>& states, double seconds) {
  const auto run = [&](const ChannelDistance& distance, const char* name) {
    const MotionVerifier verifier(design, distance);
    const auto motion = [&](int i) {
      const State& from = states[static_cast<std::size_t>(i) % states.size()];
      State to = from;
      to.insertion_mm = std::min(104.0, from.insertion_mm + 0.5);
      to.u_free += Eigen::Vector2d(1e-4, 1e-4);
      return std::pair(from, to);
    };
    const auto clears = time_calls(
        [&](int i) {
          const auto [from, to] = motion(i);
          keep(verifier.clears(from, to, kRequired_mm) ? 1.0 : 0.0);
        },
        1, seconds);
    const auto clearance = time_calls(
        [&](int i) {
          const auto [from, to] = motion(i);
          keep(verifier.clearance(from, to).lower_mm);
        },
        1, seconds);
    fmt::print(
        "  motions verified a second, {:<12} clear by {} mm: {:9.0f} (p10 {:.0f}, p90 {:.0f})   clearance to "
        "0.05 mm: "
        "{:9.0f} (p10 {:.0f}, p90 {:.0f})\n",
        name, kRequired_mm, 1e6 / clears.median, 1e6 / clears.p90, 1e6 / clears.p10, 1e6 / clearance.median,
        1e6 / clearance.p90, 1e6 / clearance.p10);
  };
  run(ChannelDistance(field->exact_pointer(), field), "field:");
  run(ChannelDistance(field->exact_pointer()), "exact only:");
}

/// Reading the mesh from a binary STL file.
double seconds_to_load(const TriangleMesh& mesh) {
  const auto file = std::filesystem::temp_directory_path() / fmt::format("withy-bench-{}.stl", getpid());
  if (!write_mesh(mesh, file)) return 0.0;
  const double seconds = seconds_of([&] { (void)read_mesh(file, LengthUnit::mm); });
  std::filesystem::remove(file);
  return seconds;
}

void run_mesh(const Design& design, bool rough, int triangles, const Options& options) {
  testing::TubeShape tube;
  tube.waist_mm = 1.0;
  tube.roughness_mm = rough ? 0.3 : 0.0;
  tube.seed = kSeed;
  hold_to_one_core(false);
  const auto channel = testing::make_tube(tube, triangles);
  fmt::print("\n{} tube, {} triangles\n", rough ? "Rough" : "Smooth", channel->mesh_E.triangles.size());
  const double load = seconds_to_load(channel->mesh_E);
  std::shared_ptr<const WallDistance> wall;
  const double exact = seconds_of([&] { wall = std::make_shared<const WallDistance>(channel); });
  std::shared_ptr<const DistanceField> field;
  std::vector<double> fills;
  for (int i = 0; i < 3; ++i) {
    field = DistanceField::make(wall, kSpacing_mm);
    fills.push_back(field->fill_seconds());
  }
  std::sort(fills.begin(), fills.end());
  fmt::print(
      "  load {:.2f} s, exact distance (CGAL trees) {:.2f} s, field of {} mm filled in {:.3f} s ({:.3f} to "
      "{:.3f}), "
      "{:.1f} MB in {} blocks\n",
      load, exact, kSpacing_mm, fills[1], fills[0], fills[2], static_cast<double>(field->bytes()) / 1e6,
      field->blocks());
  const BodyCheck check(design, field, kStationSpacing_mm);
  const std::vector<State> states = make_states(design, tube);
  const std::vector<Body> bodies = make_bodies(design, check.sampler(), states);
  // Libraries may spread their building over all cores.
  const auto cgal = cgal_rivals(channel);
  const auto fcl = options.rivals ? fcl_rivals(channel) : std::vector<Rival>{};
  const auto embree = options.rivals ? embree_rivals(channel) : std::vector<Rival>{};
  hold_to_one_core(true);
  const double ours = time_ours(check, states, options.seconds);
  if (options.rivals)
    for (const auto* rivals : {&cgal, &fcl, &embree}) time_rivals(*rivals, bodies, ours, options.seconds);
  compare_answers(check, states, bodies, cgal.front());
  time_motions(design, field, states, options.seconds);
  hold_to_one_core(false);
}

}  // namespace

int main(int argc, char** argv) {
  Options options;
  CLI::App app("Times of a body's clearance, against other libraries, on one core");
  app.add_option("--sizes", options.sizes, "triangles of the meshes")->capture_default_str();
  app.add_option("--seconds", options.seconds, "to spend on each line")->capture_default_str();
  app.add_flag("!--ours-only", options.rivals, "leave the other libraries out");
  CLI11_PARSE(app, argc, argv);

  const Design design = make_design();
  fmt::print("machine   {}, {} cores; bodies are timed on one, fields filled on all\n", processor(),
             std::thread::hardware_concurrency());
  fmt::print("build     {}, commit {}, AVX2 {}\n", __VERSION__, commit(),
             cpu_has_avx2() ? "used" : "not there");
  fmt::print(
      "body      {} points, radius 1.5 mm, two arcs and two rigid spans, 100 mm, in a tube of 150 mm, lumen "
      "radius 5 to 7 mm; "
      "seed {}\n",
      kStations, kSeed);
  for (const bool rough : {false, true})
    for (const int size : options.sizes) run_mesh(design, rough, size, options);
  return 0;
}
