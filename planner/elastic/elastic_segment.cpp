// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/elastic/elastic_segment.h"

#include <algorithm>
#include <cassert>
#include <cmath>

#include <Eigen/LU>

#include "geometry/numbers/eigenvalues.h"
#include "geometry/numbers/numbers.h"
#include "planner/effort/shares.h"
#include "planner/elastic/elastic_tendons.h"

namespace withy {
namespace {

/// A moment (share of EI times the curvature limit) that counts as none: it bends the segment by a
/// billionth of its limit, which moves the tip by less than 1e-6 mm for any segment that bends into a circle.
constexpr double kAtRest = 1e-9;

/// Rounding of a tendon's or backbone's force, as a share of stiffness times length: 1e-16 of the sums that
/// its stretch is the difference of, a few times over.
constexpr double kForceRounding = 1e-15;

/// Where a step of Newton's method ends, the work of the unbalanced forces along it has fallen to this share
/// of what it was at its beginning.
constexpr double kWorkLeft = 0.5;
/// Looks for that place along one step.
constexpr int kMostLooks = 12;

/// What is added to the tangent (share of EI) where a step leads uphill, and by how much it grows and falls.
constexpr double kFirstShift = 0.05;
constexpr double kShiftGrows = 5.0;
constexpr double kLargestShift = 1e6;

/// The bath's thickness to begin with (share of EI), by how much forces may rise over one step in it, and
/// what is left of it after a step over which they fall: thinned only as much as they fall it stays thick
/// where one kink made it so, and the body creeps.
constexpr double kFirstBath = 1.0;
constexpr double kBathRises = 2.0;
constexpr double kBathThins = 0.5;

/// An eigenvalue of the tangent (share of EI) that counts as zero.
constexpr double kNeutral = 1e-6;

}  // namespace

struct ElasticSegment::Solver {
  Solver(const Design& of, int elements)
      : design(&of),
        mesh(of, elements),
        strains(of.elastic()->segment_EA_N ? kMostStrains : kMostStrains - 1),
        chain(of, mesh, strains),
        tendons(of, mesh),
        backbones(of, mesh) {
    const Eigen::Index n = static_cast<Eigen::Index>(mesh.flexible_count()) * strains;
    balance.force.setZero(n);
    balance.tangent.setZero(n, n);
    const Segment& segment = of.segment();
    const double wires = std::max(of.elastic()->tendon_EA_N, of.elastic()->backbone_EA_N);
    at_rest_Nmm = kAtRest * segment.flexural_rigidity_Nmm2 * segment.curvature_max_per_mm +
                  kForceRounding * wires * of.tendons()->radius_mm;
  }

  /// Everything about the strains of `state` after a step from `before`.
  void evaluate(const ElasticState& state, const ElasticState& before, bool wants_tangent) {
    chain.place(state.insertion_mm, state.strain);
    balance.wants_tangent = wants_tangent;
    balance.force.setZero();
    if (wants_tangent) balance.tangent.setZero();
    add_stiffness(*design, chain, state.strain, balance);
    add_weight(*design, chain, balance);
    tendons.update(chain, state.strain, {state.pull_mm, state.insertion_mm, before.tension_N, base_N});
    tendons.add(chain, balance);
    backbones.update(chain, state.strain, state.engaged, state.rest_mm);
    backbones.add(chain, balance);
    per_length(wants_tangent);
  }

  /// Forces per mm of element, a moment; elements inside the guide stay straight.
  void per_length(bool wants_tangent) {
    for (int i = 0; i < mesh.count(); ++i) {
      const int flexible = mesh.elements()[static_cast<std::size_t>(i)].flexible;
      if (flexible < 0) continue;
      const Eigen::Index at = static_cast<Eigen::Index>(flexible) * strains;
      const PlacedElement& e = chain.element(i);
      if (e.bends) {
        balance.force.segment(at, strains) /= e.length_mm;
        if (wants_tangent) balance.tangent.middleRows(at, strains) /= e.length_mm;
      } else if (wants_tangent) {
        balance.tangent.block(at, at, strains, strains).setIdentity();
      }
    }
  }

  /// The largest moment (axial forces count over a tendon's arm).
  double unbalanced() const {
    double most = 0.0;
    for (Eigen::Index at = 0; at < balance.force.size(); at += strains) {
      most = std::max(most, balance.force.segment<3>(at).cwiseAbs().maxCoeff());
      if (strains == kMostStrains)
        most = std::max(most, design->tendons()->radius_mm * std::abs(balance.force(at + 3)));
    }
    return std::isfinite(most) ? most : kInfinity;
  }

  void straighten_hidden(ElasticState& state) {
    chain.place(state.insertion_mm, state.strain);
    for (int i = 0; i < mesh.count(); ++i) {
      const int flexible = mesh.elements()[static_cast<std::size_t>(i)].flexible;
      if (flexible >= 0 && !chain.element(i).bends)
        state.strain.segment(static_cast<Eigen::Index>(flexible) * strains, strains).setZero();
    }
  }

  /// Work of the unbalanced forces along a change of the strains, N mm.
  double work_along(const Eigen::VectorXd& way) const {
    double work = 0.0;
    for (int f = 0; f < mesh.flexible_count(); ++f) {
      const Eigen::Index at = static_cast<Eigen::Index>(f) * strains;
      work += chain.element(mesh.element_of(f)).length_mm *
              balance.force.segment(at, strains).dot(way.segment(at, strains));
    }
    return work;
  }

  /// Newton's step at the strains last evaluated; where it leads uphill, nearer to steepest descent.
  bool find_way(Eigen::VectorXd& way, double& shift) {
    const double EI = design->segment().flexural_rigidity_Nmm2;
    for (; shift <= kLargestShift; shift = std::max(kFirstShift, kShiftGrows * shift)) {
      if (shift > 0.0) {
        shifted = balance.tangent;
        shifted.diagonal().array() += shift * EI;
        factors.compute(shifted);
      } else {
        factors.compute(balance.tangent);
      }
      ++iterations;
      way = factors.solve(balance.force);
      if (way.allFinite() && work_along(way) > 0.0) return true;
    }
    return false;
  }

  /// Goes from `start` along -way to where the forces do next to no work along it, at most the whole way.
  /// Leaves force and tangent there.
  void go_along(const Eigen::VectorXd& start, const Eigen::VectorXd& way, ElasticState& state,
                const ElasticState& before) {
    const double first = work_along(way);
    state.strain = start - way;
    evaluate(state, before, true);
    double high = 1.0, work_high = work_along(way);
    if (std::isfinite(work_high) && work_high >= -kWorkLeft * first) return;
    // Regula falsi, the end that stays weighed by a half each time.
    double low = 0.0, work_low = first;
    for (int look = 0; look < kMostLooks; ++look) {
      const bool usable = std::isfinite(work_high);
      const double share =
          usable ? low + (high - low) * work_low / (work_low - work_high) : 0.5 * (low + high);
      state.strain = start - share * way;
      evaluate(state, before, false);
      const double work = work_along(way);
      if (std::abs(work) <= kWorkLeft * first) break;
      if (work > 0.0) {
        low = share;
        work_low = work;
        work_high *= usable ? 0.5 : 1.0;
      } else {
        high = share;
        work_high = work;
        work_low *= 0.5;
      }
    }
    evaluate(state, before, true);
  }

  /// Newton's method; the state keeps what its tensions have become. False where it does not come to rest.
  bool settle(ElasticState& state, const ElasticState& before) {
    straighten_hidden(state);
    Eigen::VectorXd start, way;
    double shift = 0.0;
    evaluate(state, before, true);
    for (int i = 0; i < kMostIterations; ++i) {
      const double now = unbalanced();
      if (now <= at_rest_Nmm) {
        state.tension_N = tendons.tension_N();
        return true;
      }
      if (now >= kInfinity || !find_way(way, shift)) return false;
      start = state.strain;
      go_along(start, way, state, before);
      shift = shift > kFirstShift ? shift / kShiftGrows : 0.0;
    }
    return false;
  }

  /// Where Newton's method does not come to rest the body may have none near by and snaps: let go in a thick
  /// bath, which thins as it comes to rest (pseudo-transient continuation).
  bool let_go(ElasticState& state, const ElasticState& before) {
    const double EI = design->segment().flexural_rigidity_Nmm2;
    straighten_hidden(state);
    evaluate(state, before, true);
    double now = unbalanced();
    double bath = kFirstBath;
    Eigen::VectorXd start, way;
    for (int i = 0; i < shares::kBathSteps && now < kInfinity && bath < kLargestShift; ++i) {
      if (now <= at_rest_Nmm) {
        state.tension_N = tendons.tension_N();
        return true;
      }
      shifted = balance.tangent;
      shifted.diagonal().array() += bath * EI;
      factors.compute(shifted);
      ++iterations;
      way = factors.solve(balance.force);
      start = state.strain;
      state.strain -= way;
      evaluate(state, before, true);
      const double next = unbalanced();
      if (next <= kBathRises * now) {
        bath *= next > now ? next / now : std::max(1.0 / kShiftGrows, kBathThins * next / now);
        now = next;
      } else {
        state.strain = start;
        evaluate(state, before, true);
        bath *= kShiftGrows;
      }
    }
    return false;
  }

  /// A step from `from` to the insertion, pulls and rests of `to`, in halves where need be.
  bool step(const ElasticState& from, ElasticState& to) { return step_in_halves(from, to, {}); }

  /// The same to given tensions at the base.
  bool step_to_tensions(const ElasticState& from, ElasticState& to, const Eigen::VectorXd& tensions_N) {
    evaluate(from, from, false);
    tensions_from_N = tendons.base_N();
    tensions_to_N = tensions_N;
    base_N = &tensions_at_N;
    const bool found = step(from, to);
    base_N = nullptr;
    return found;
  }

  /// The part of a step that is taken at once.
  struct Part {
    double begin = 0.0;
    double end = 1.0;
    int halved = 0;
  };

  bool settle_part(ElasticState& to, const ElasticState& from, const Part& part) {
    if (base_N) tensions_at_N = tensions_from_N + part.end * (tensions_to_N - tensions_from_N);
    to.strain = from.strain;
    if (settle(to, from)) return true;
    if (part.halved < kMostHalvings) return false;
    to.strain = from.strain;
    return let_go(to, from);
  }

  bool step_in_halves(const ElasticState& from, ElasticState& to, const Part& part) {
    if (settle_part(to, from, part)) return true;
    if (part.halved == kMostHalvings) return false;
    ElasticState middle = to;
    middle.insertion_mm = 0.5 * (from.insertion_mm + to.insertion_mm);
    middle.pull_mm = 0.5 * (from.pull_mm + to.pull_mm);
    for (int lock = 0; lock < design->lock_count(); ++lock) {
      const std::size_t i = static_cast<std::size_t>(lock);
      if (from.engaged.test(i) && to.engaged.test(i))
        middle.rest_mm[i] = 0.5 * (from.rest_mm[i] + to.rest_mm[i]);
    }
    const double half = 0.5 * (part.begin + part.end);
    return step_in_halves(from, middle, {part.begin, half, part.halved + 1}) &&
           step_in_halves(middle, to, {half, part.end, part.halved + 1});
  }

  const Design* design;
  ElementMesh mesh;
  int strains;
  ElasticChain chain;
  ElasticTendons tendons;
  HeldBackbones backbones;
  ForceBalance balance;
  Eigen::PartialPivLU<Eigen::MatrixXd> factors;
  Eigen::MatrixXd shifted;
  const Eigen::VectorXd* base_N = nullptr;  // given tensions, while there are any
  Eigen::VectorXd tensions_from_N, tensions_to_N, tensions_at_N;
  double at_rest_Nmm = 0.0;
  long iterations = 0;
};

ElasticSegment::ElasticSegment(const Design& design, int elements)
    : solver_(std::make_unique<Solver>(design, elements)) {
  assert(design.elastic() && design.tendons() && (design.lock_count() == 0 || design.latch()));
}
ElasticSegment::~ElasticSegment() = default;
ElasticSegment::ElasticSegment(ElasticSegment&&) noexcept = default;

const Design& ElasticSegment::design() const {
  return *solver_->design;
}

long ElasticSegment::iterations() const {
  return solver_->iterations;
}

std::int64_t ElasticSegment::work() const {
  const std::int64_t unknowns = solver_->balance.force.size();
  return solver_->iterations * (unknowns * unknowns / shares::kNewtonUnknownsSquared + 1);
}

tl::expected<ElasticState, ElasticFault> ElasticSegment::start() {
  const TendonHardware& hardware = *solver_->design->tendons();
  ElasticState straight;
  straight.pull_mm.setZero(solver_->tendons.count());
  straight.strain.setZero(solver_->balance.force.size());
  straight.tension_N.setConstant(solver_->tendons.gap_count(), solver_->tendons.count(),
                                 hardware.tension_min_N);
  return step(straight, 0.0, straight.pull_mm);
}

tl::expected<ElasticState, ElasticFault> ElasticSegment::step(const ElasticState& from, double insertion_mm,
                                                              const Eigen::VectorXd& pull_mm) {
  ElasticState to = from;
  to.insertion_mm = insertion_mm;
  to.pull_mm = pull_mm;
  if (!solver_->step(from, to)) return tl::unexpected(ElasticFault::no_equilibrium);
  return to;
}

tl::expected<ElasticState, ElasticFault> ElasticSegment::step_to_tensions(const ElasticState& from,
                                                                          double insertion_mm,
                                                                          const Eigen::VectorXd& base_N) {
  ElasticState to = from;
  to.insertion_mm = insertion_mm;
  if (!solver_->step_to_tensions(from, to, base_N)) return tl::unexpected(ElasticFault::no_equilibrium);
  to.pull_mm = solver_->tendons.pulls_mm(insertion_mm);
  return to;
}

// First where nothing moves, then drawn to the notches.
tl::expected<ElasticState, ElasticFault> ElasticSegment::engage(const ElasticState& from, int lock) {
  const std::size_t i = static_cast<std::size_t>(lock);
  assert(!from.engaged.test(i));
  solver_->evaluate(from, from, false);
  ElasticState near = from;
  near.engaged.set(i);
  near.rest_mm[i] = solver_->backbones.own_slides_mm(lock);
  ElasticState to = near;
  to.rest_mm[i] = solver_->backbones.rest_on_engaging(lock);
  if (!solver_->step(near, to)) return tl::unexpected(ElasticFault::no_equilibrium);
  return to;
}

// At once, or where that finds no rest, the gate led step by step to where it carries nothing: to where the
// backbones would lie without it.
tl::expected<ElasticState, ElasticFault> ElasticSegment::release(const ElasticState& from, int lock) {
  constexpr int kWays = 16;
  const std::size_t i = static_cast<std::size_t>(lock);
  assert(from.engaged.test(i));
  ElasticState at = from;
  for (int left = kWays; left >= 0; --left) {
    ElasticState open = at;
    open.engaged.reset(i);
    open.rest_mm[i].resize(0);
    solver_->evaluate(open, at, false);
    const Eigen::VectorXd idle = solver_->backbones.own_slides_mm(lock);
    if (solver_->settle(open, at)) return open;
    if (left == 0) break;
    ElasticState nearer = at;
    nearer.rest_mm[i] += (idle - nearer.rest_mm[i]) / left;
    if (!solver_->step(at, nearer)) break;
    at = nearer;
  }
  return tl::unexpected(ElasticFault::no_equilibrium);
}

ElasticReading ElasticSegment::read(const ElasticState& state) {
  Solver& s = *solver_;
  s.evaluate(state, state, false);
  ElasticReading reading;
  reading.tip_E = s.chain.pose_E(s.design->length_mm());
  reading.base_N = s.tendons.base_N();
  reading.tip_N = s.tendons.tension_N().bottomRows(1).transpose();
  reading.turned_rad = s.tendons.turned_rad();
  reading.energy_Nmm = weight_energy_Nmm(*s.design, s.chain) + s.backbones.energy_Nmm();
  ForceBalance bending;
  bending.wants_tangent = false;
  bending.force.setZero(state.strain.size());
  add_stiffness(*s.design, s.chain, state.strain, bending);
  reading.energy_Nmm += 0.5 * bending.force.dot(state.strain);
  for (int lock = 0; lock < s.design->lock_count(); ++lock) {
    reading.slide_mm.push_back(s.backbones.slides_mm(lock));
    reading.own_slide_mm.push_back(s.backbones.own_slides_mm(lock));
    const bool engaged = state.engaged.test(static_cast<std::size_t>(lock));
    const Eigen::Vector2d moment =
        engaged ? s.backbones.lock_moment_Nmm(lock) : Eigen::Vector2d(Eigen::Vector2d::Zero());
    reading.lock_moment_Nmm.push_back(moment);
    reading.lock_load_Nmm.push_back(moment.norm());
    for (Eigen::Index k = 0; k < reading.slide_mm.back().size(); ++k)
      reading.compression_N =
          std::max(reading.compression_N, -s.backbones.force_N(lock, static_cast<int>(k), true));
  }
  return reading;
}

std::vector<Eigen::Isometry3d> ElasticSegment::poses_E(const ElasticState& state,
                                                       const std::vector<double>& stations_mm) {
  solver_->chain.place(state.insertion_mm, state.strain);
  std::vector<Eigen::Isometry3d> poses;
  poses.reserve(stations_mm.size());
  for (const double s : stations_mm) poses.push_back(solver_->chain.pose_E(s));
  return poses;
}

bool ElasticSegment::unstable(const ElasticState& state) {
  solver_->evaluate(state, state, true);
  const auto least = least_eigenvalue_part(solver_->balance.tangent);
  return least && *least < -kNeutral * solver_->design->segment().flexural_rigidity_Nmm2;
}

double ElasticSegment::unbalanced_Nmm(const ElasticState& state) {
  solver_->evaluate(state, state, false);
  return solver_->unbalanced();
}

std::pair<Eigen::VectorXd, Eigen::MatrixXd> ElasticSegment::balance(const ElasticState& from,
                                                                    double insertion_mm,
                                                                    const Eigen::VectorXd& pull_mm,
                                                                    const Eigen::VectorXd& strain) {
  ElasticState to = from;
  to.insertion_mm = insertion_mm;
  to.pull_mm = pull_mm;
  to.strain = strain;
  solver_->evaluate(to, from, true);
  return {solver_->balance.force, solver_->balance.tangent};
}

}  // namespace withy
