// SPDX-License-Identifier: GPL-3.0-or-later
#include "tests/support/forgeries.h"

#include <algorithm>
#include <cmath>
#include <functional>
#include <initializer_list>

#include <fmt/format.h>

#include "planner/proof/recheck/leaves.h"
#include "planner/search/ask/certify.h"
#include "planner/search/route/route.h"
#include "tests/support/plain_certificate.h"
#include "tests/support/plain_mesh.h"

namespace withy_test {

using namespace withy;
using recheck::Certificate;
using recheck::CertificateLeaf;

namespace {

/// A harder question of the same scene.
struct Harder {
  std::string what;
  SearchProblem problem;
};

std::optional<SearchProblem> with_parts(const SearchProblem& problem,
                                        const std::function<void(DesignParts&)>& change) {
  DesignParts parts = problem.design.parts();
  change(parts);
  auto design = Design::make(std::move(parts));
  if (!design) return std::nullopt;
  return SearchProblem{std::move(*design), problem.distance, problem.goal, problem.required_clearance_mm,
                       problem.heeded};
}

/// Gathers harder questions; what makes no design is left out.
class HarderList {
 public:
  explicit HarderList(const SearchProblem& problem) : problem_(problem) {}
  void add(std::string what, std::optional<SearchProblem> harder) {
    if (harder) all_.push_back({std::move(what), std::move(*harder)});
  }
  /// One change by several shares.
  void add_parts(const char* what, std::initializer_list<double> shares,
                 const std::function<void(DesignParts&, double)>& change) {
    for (const double share : shares)
      add(fmt::format("{} {} times", what, share),
          with_parts(problem_, [&](DesignParts& p) { change(p, share); }));
  }
  std::vector<Harder> take() { return std::move(all_); }

 private:
  const SearchProblem& problem_;
  std::vector<Harder> all_;
};

/// A body that fits in fewer places, locks and latches that hold less, tendons that pull less.
void add_worse_hardware(const SearchProblem& problem, HarderList& list) {
  list.add_parts("body radius", {1.3, 1.7, 2.5}, [](DesignParts& p, double by) {
    p.segment.radius_mm *= by;
    if (p.lock) p.lock->body_radius_mm *= by;
  });
  list.add_parts("rigid tip", {2.0, 5.0}, [](DesignParts& p, double by) { p.segment.tip_rigid_mm *= by; });
  if (problem.design.lock_count() > 0) {
    list.add_parts("lock body radius", {1.5, 3.0},
                   [](DesignParts& p, double by) { p.lock->body_radius_mm *= by; });
    list.add_parts("lock body length", {1.5, 3.0},
                   [](DesignParts& p, double by) { p.lock->body_length_mm *= by; });
    list.add_parts("hold moment", {0.02, 0.1},
                   [](DesignParts& p, double by) { p.lock->hold_moment_Nmm *= by; });
  }
  if (problem.design.latch() && problem.design.lock_count() > 0)
    list.add_parts("notch pitch", {2.0, 4.0, 8.0},
                   [](DesignParts& p, double by) { p.latch->notch_pitch_mm *= by; });
  if (!problem.design.tendons()) return;
  list.add_parts("stroke", {0.1, 0.3}, [](DesignParts& p, double by) { p.tendons->stroke_max_mm *= by; });
  list.add_parts("stiffness", {4.0, 10.0},
                 [](DesignParts& p, double by) { p.segment.flexural_rigidity_Nmm2 *= by; });
}

std::vector<Harder> harder_than(const SearchProblem& problem) {
  HarderList list(problem);
  const auto add = [&](std::string what, std::optional<SearchProblem> harder) {
    list.add(std::move(what), std::move(harder));
  };
  add_worse_hardware(problem, list);
  for (const double more : {0.5, 1.0, 2.0, 4.0}) {
    SearchProblem harder = problem;
    harder.required_clearance_mm += more;
    add(fmt::format("lumen narrower by {} mm", more), harder);
  }
  for (const double share : {0.3, 0.5, 0.6, 0.7, 0.8})
    add(fmt::format("insertion of {} times", share),
        with_parts(problem, [&](DesignParts& p) { p.carriage.insertion_max_mm *= share; }));
  for (const double share : {0.1, 0.3, 0.5, 0.7})
    add(fmt::format("curvature limit of {} times", share),
        with_parts(problem, [&](DesignParts& p) { p.segment.curvature_max_per_mm *= share; }));
  if (problem.design.field() && problem.design.lock_count() > 0)
    for (const double share : {0.01, 0.1, 0.3})
      add(fmt::format("field of {} times", share),
          with_parts(problem, [&](DesignParts& p) { p.field->strength_max_mT *= share; }));
  if (problem.design.tendons())
    for (const double share : {0.05, 0.15, 0.3})
      add(fmt::format("tension of {} times", share), with_parts(problem, [&](DesignParts& p) {
            p.tendons->tension_max_N = std::max(p.tendons->tension_min_N, p.tendons->tension_max_N * share);
          }));
  for (const double by : {6.0, 12.0, 25.0})
    for (int axis = 0; axis < 3; ++axis) {
      SearchProblem harder = problem;
      harder.goal.point_E[axis] += by;
      add(fmt::format("target {} mm along axis {}", by, axis + 1), harder);
    }
  return list.take();
}

/// The same leaves, stretched over the boxes of the question that is really asked.
Certificate stretched(Certificate certificate, const DesignParts& real) {
  const double kappa = real.segment.curvature_max_per_mm;
  for (CertificateLeaf& leaf : certificate.leaves) {
    leaf.whole.low[0] = 0.0;
    leaf.whole.high[0] = real.carriage.insertion_max_mm;
    for (const std::size_t k : {1, 2})
      if (leaf.whole.low[k] < leaf.whole.high[k]) {
        leaf.whole.low[k] = -kappa;
        leaf.whole.high[k] = kappa;
      }
  }
  return certificate;
}

/// Sets that nobody searched for: none, all states, all but those near the start.
std::vector<Forgery> by_hand(const Certificate& pattern, const DesignParts& real) {
  std::vector<Forgery> out;
  Certificate bare = pattern;
  bare.leaves.clear();
  bare.header.leaves = 0;
  out.push_back({"nothing in H", bare});
  CertificateLeaf released;
  const double kappa = real.segment.curvature_max_per_mm;
  released.whole.low = {0.0, -kappa, -kappa};
  released.whole.high = {real.carriage.insertion_max_mm, kappa, kappa};
  bare.header.leaves = 1;
  for (const int cuts : {1, 4, 12, 30}) {
    // The lower half of insertion again and again; all but the last is in H.
    released.parts = std::string(static_cast<std::size_t>(cuts), 'a') + "0" +
                     std::string(static_cast<std::size_t>(cuts), '1');
    bare.leaves = {released};
    out.push_back({fmt::format("all released states but those near the start ({} cuts)", cuts), bare});
  }
  return out;
}

std::size_t any(std::size_t count, std::mt19937_64& random) {
  return std::uniform_int_distribution<std::size_t>(0, count - 1)(random);
}

/// Flips one part of the wanted kind; false where there is none.
bool flip(std::string& parts, char from, char to, std::mt19937_64& random) {
  std::vector<std::size_t> places;
  for (std::size_t i = 0; i < parts.size(); ++i)
    if (parts[i] == from) places.push_back(i);
  if (places.empty()) return false;
  parts[places[any(places.size(), random)]] = to;
  return true;
}

bool change_cut(std::string& parts, std::mt19937_64& random) {
  std::vector<std::size_t> places;
  for (std::size_t i = 0; i < parts.size(); ++i)
    if (parts[i] >= 'a') places.push_back(i);
  if (places.empty()) return false;
  char& cut = parts[places[any(places.size(), random)]];
  cut = static_cast<char>('a' + (cut - 'a' + 1 + static_cast<char>(any(2, random))) % 3);
  return true;
}

bool move_bound(CertificateLeaf& leaf, std::mt19937_64& random) {
  const std::size_t k = any(static_cast<std::size_t>(leaf.whole.dimensions), random);
  const double width = leaf.whole.high[k] - leaf.whole.low[k];
  if (!(width > 0.0)) return false;
  const double by = width * std::exp2(-static_cast<double>(1 + any(8, random)));
  if (any(2, random) == 0)
    leaf.whole.low[k] += by;
  else
    leaf.whole.high[k] -= by;
  return true;
}

bool change_notch(CertificateLeaf& leaf, std::mt19937_64& random) {
  if (leaf.notches.empty()) return false;
  recheck::Notches& notches = leaf.notches[any(leaf.notches.size(), random)];
  if (notches.empty()) return false;
  notches[any(notches.size(), random)] += any(2, random) == 0 ? 1 : -1;
  return true;
}

/// Another lock engaged in the place of one.
bool change_lock(CertificateLeaf& leaf, int locks, std::mt19937_64& random) {
  if (leaf.engaged.empty() || static_cast<int>(leaf.engaged.size()) == locks) return false;
  int& lock = leaf.engaged[any(leaf.engaged.size(), random)];
  int other = lock;
  while (std::find(leaf.engaged.begin(), leaf.engaged.end(), other) != leaf.engaged.end())
    other = static_cast<int>(any(static_cast<std::size_t>(locks), random));
  lock = other;
  std::sort(leaf.engaged.begin(), leaf.engaged.end());
  return true;
}

State state_of(const recheck::Leaf& leaf, const recheck::StateBox& box) {
  State state;
  state.insertion_mm = box.d_lo;
  state.u_free = {box.u[0].middle(), box.u[1].middle()};
  for (const auto& [lock, notches] : leaf.name()) state.engaged.set(static_cast<std::size_t>(lock));
  for (const recheck::Interval2& theta : box.theta)
    state.theta_frozen.emplace_back(theta[0].middle(), theta[1].middle());
  return state;
}

}  // namespace

std::vector<Forgery> forgeries_of(const PreparedScene& prepared, const SearchProblem& problem,
                                  std::int64_t work) {
  std::vector<Forgery> out;
  const auto put_forward = [&](const std::string& what, Certificate certificate) {
    // What names the question is the real one's, so that only the mathematics can tell.
    name_scene(certificate, prepared.scene, prepared.wall().channel(), prepared.scene.file.string());
    certificate.header.required_clearance_mm = problem.required_clearance_mm;
    out.push_back({what, std::move(certificate)});
  };
  const DesignParts& real = problem.design.parts();
  for (const Harder& harder : harder_than(problem))
    for (const bool by_spans : {false, true}) {
      RouteSearchSettings settings;
      settings.effort = Effort::of_work(work);
      settings.spans = by_spans;
      RouteSearch search(harder.problem, settings);
      if (search.run(harder.problem.goal) != SearchOutcome::proved_none) continue;
      if (by_spans && search.proof() != ProofKind::no_switch_in) continue;
      const Certificate certificate = certify(harder.problem, search, settings);
      const std::string what = harder.what + (by_spans ? ", by spans" : "");
      put_forward(what, certificate);
      if (!certificate.leaves.empty()) put_forward(what + ", stretched", stretched(certificate, real));
    }
  if (out.empty()) return out;
  for (Forgery& forgery : by_hand(out.front().certificate, real))
    put_forward(forgery.what, std::move(forgery.certificate));
  return out;
}

std::optional<Mutant> mutant_of(const Certificate& certificate, std::mt19937_64& random) {
  Mutant mutant{"", certificate, any(certificate.leaves.size(), random)};
  CertificateLeaf& leaf = mutant.certificate.leaves[mutant.leaf];
  bool changed = false;
  switch (any(8, random)) {
    case 0:
    case 1:
      mutant.what = "part dropped";
      changed = flip(leaf.parts, '1', '0', random);
      break;
    case 2:
      mutant.what = "part added";
      changed = flip(leaf.parts, '0', '1', random);
      break;
    case 3:
      mutant.what = "cut changed";
      changed = change_cut(leaf.parts, random);
      break;
    case 4:
      mutant.what = "bound moved";
      changed = move_bound(leaf, random);
      break;
    case 6:
      mutant.what = "lock changed";
      changed = change_lock(leaf, certificate.header.locks, random);
      break;
    case 5:
      mutant.what = "notch changed";
      changed = change_notch(leaf, random);
      break;
    default:
      mutant.what = "leaf dropped";
      leaf.parts.assign(1, '0');
      changed = true;
      break;
  }
  if (!changed) return std::nullopt;
  return mutant;
}

namespace {

/// A leaf's states and the part of them that is in H.
struct LeafSet {
  std::optional<recheck::Leaf> leaf;
  recheck::Cover cover;
};

recheck::Robot robot_for(const DesignParts& parts) {
  recheck::Robot robot;
  robot.segment = parts.segment;
  robot.lock = parts.lock;
  robot.layout = parts.layout;
  robot.latch = parts.latch;
  robot.guide = parts.carriage.kind == CarriageKind::guide;
  robot.insertion_max_mm = parts.carriage.insertion_max_mm;
  return robot;
}

LeafSet set_of(const recheck::Robot& robot, const recheck::Lattice& lattice, const CertificateLeaf& given) {
  recheck::LeafName name;
  for (std::size_t r = 0; r < given.engaged.size(); ++r)
    name.emplace_back(given.engaged[r], given.notches[r]);
  LeafSet set{recheck::Leaf::make(robot, lattice, name), {}};
  if (!set.cover.read(given.whole, given.parts)) set.leaf.reset();
  return set;
}

/// Draws points of a box.
recheck::Cell drawn_in(const recheck::Cell& box, std::mt19937_64& random) {
  recheck::Cell point;
  point.dimensions = box.dimensions;
  for (int k = 0; k < point.dimensions; ++k) {
    const auto i = static_cast<std::size_t>(k);
    point.low[i] = point.high[i] = std::uniform_real_distribution<double>(box.low[i], box.high[i])(random);
  }
  return point;
}

/// Of `samples` states of the leaf that are wanted, the legal ones.
std::vector<State> legal_of(const SearchProblem& problem, const recheck::Leaf& leaf,
                            const recheck::Cell& whole,
                            const std::function<bool(const recheck::Cell&)>& wanted, int samples,
                            std::mt19937_64& random) {
  const Hardware hardware(problem.design);
  const StepJudge judge(problem, hardware);
  std::vector<State> legal;
  int drawn = 0;
  for (int tries = 0; tries < 2000 * samples && drawn < samples; ++tries) {
    const recheck::Cell point = drawn_in(whole, random);
    if (!wanted(point)) continue;
    ++drawn;
    const State state = state_of(leaf, leaf.states(point));
    if (within_limits(problem.design, state) && judge.motion_allowed(state, state)) legal.push_back(state);
  }
  return legal;
}

}  // namespace

std::optional<std::vector<State>> legal_in_difference(const SearchProblem& problem, const Certificate& before,
                                                      const Mutant& mutant, int samples,
                                                      std::mt19937_64& random) {
  const CertificateLeaf& was = before.leaves[mutant.leaf];
  const CertificateLeaf& is = mutant.certificate.leaves[mutant.leaf];
  const recheck::Robot robot = robot_for(problem.design.parts());
  const recheck::Lattice lattice(robot.latch);
  const LeafSet old_set = set_of(robot, lattice, was);
  const LeafSet new_set = set_of(robot, lattice, is);
  if (!old_set.leaf || !new_set.leaf) return std::nullopt;
  const auto in = [](const LeafSet& set) {
    return [&set](const recheck::Cell& point) { return set.cover.about(point) != recheck::Cover::Says::out; };
  };
  if (was.notches == is.notches && was.engaged == is.engaged) {
    const auto differs = [&](const recheck::Cell& point) { return in(old_set)(point) != in(new_set)(point); };
    return legal_of(problem, *old_set.leaf, was.whole, differs, samples, random);
  }
  // One leaf gone, another come.
  std::vector<State> legal = legal_of(problem, *old_set.leaf, was.whole, in(old_set), samples, random);
  const auto come = legal_of(problem, *new_set.leaf, is.whole, in(new_set), samples, random);
  legal.insert(legal.end(), come.begin(), come.end());
  return legal;
}

Outsider::Outsider(const std::filesystem::path& scene, const LockLayout& layout, unsigned seed) {
  robot_.scene = withy_plain::read_scene(scene.string());
  robot_.layout = {layout.station_mm, layout.clock_rad};
  solid_ = std::make_unique<withy_plain::Solid>(withy_plain::make_solid(
      withy_plain::read_mesh(robot_.scene.mesh_path, robot_.scene.mm_per_unit), robot_.scene));
  walker_ = std::make_unique<withy_plain::Walker>(robot_, *solid_, seed);
}

int Outsider::crossings(const SearchProblem& problem, const Certificate& certificate,
                        const std::vector<State>& from, int actions) {
  const withy_plain::Certificate read(recheck::write_certificate(certificate), robot_);
  int crossed = 0;
  for (const State& state : from) {
    withy_plain::State plain;
    plain.insertion_mm = state.insertion_mm;
    for (int i = 0; i < problem.design.lock_count(); ++i)
      plain.locked.push_back(state.engaged.test(static_cast<std::size_t>(i)));
    for (const Region& region : regions_of(problem.design, state))
      plain.regions.push_back({region.from_mm, region.to_mm, region.u});
    if (!walker_->allowed(plain)) continue;
    const bool in = read.holds(plain);
    withy_plain::Walks walks;
    walker_->walk(plain, actions, walks);
    for (const auto& visited : walks.visited) crossed += read.holds(visited) != in;
  }
  return crossed;
}

}  // namespace withy_test
