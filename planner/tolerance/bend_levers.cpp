// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/tolerance/bend_levers.h"

#include <algorithm>
#include <array>
#include <cmath>

#include "geometry/numbers/numbers.h"
#include "planner/segment/shape.h"
#include "planner/segment/tendons.h"
#include "planner/tolerance/errors.h"

namespace withy {
namespace {

using Matrix32 = BendDirections::Matrix32;

constexpr std::array kParts = {&BendLevers::backlash_mm,
                               &BendLevers::free_mm,
                               &BendLevers::gain_mm,
                               &BendLevers::total_bend_rad,
                               &BendLevers::backlash_squared_mm,
                               &BendLevers::mixed_mm,
                               &BendLevers::free_squared_mm};

// Below this angle the series are exact to 1e-12 and free of cancellation.
constexpr double kSeriesAngle = 1e-2;

/// sin(x)/x, (1 - cos x)/x^2, (1 - sin(x)/x)/x^2, and the derivatives of the first two over x.
struct ArcTerms {
  double s, c, k, s_slope, c_slope;
  explicit ArcTerms(double x) {
    const double x2 = x * x;
    if (std::abs(x) < kSeriesAngle) {
      s = 1.0 - x2 / 6.0 * (1.0 - x2 / 20.0);
      c = 0.5 - x2 / 24.0 * (1.0 - x2 / 30.0);
      k = 1.0 / 6.0 - x2 / 120.0 * (1.0 - x2 / 42.0);
      s_slope = -1.0 / 3.0 + x2 / 30.0 * (1.0 - x2 / 28.0);
      c_slope = -1.0 / 12.0 + x2 / 180.0 * (1.0 - x2 / 37.0);
      return;
    }
    const double half = std::sin(0.5 * x) / (0.5 * x);
    s = std::sin(x) / x;
    c = 0.5 * half * half;
    k = (1.0 - s) / x2;
    s_slope = (std::cos(x) - s) / x2;
    c_slope = (s - 2.0 * c) / x2;
  }
};

/// The axis of a bend times its angle.
Eigen::Vector3d axis_of(const Eigen::Vector2d& bend) {
  return {-bend.y(), bend.x(), 0.0};
}

/// Derivatives by an arc's bend of its end and of its turn (as rotation vectors), in the frame at its start.
struct ArcDerivatives {
  Matrix32 end;
  Matrix32 turn;
};

ArcDerivatives derivatives_of_arc(const Eigen::Vector2d& bend, double length_mm) {
  const ArcTerms terms(bend.norm());
  const Eigen::Vector3d axis = axis_of(bend);
  ArcDerivatives out;
  for (int i = 0; i < 2; ++i) {
    const Eigen::Vector2d unit = Eigen::Vector2d::Unit(i);
    Eigen::Vector3d end;
    end << terms.c_slope * bend[i] * bend + terms.c * unit, terms.s_slope * bend[i];
    out.end.col(i) = length_mm * end;
    const Eigen::Vector3d by = axis_of(unit);
    out.turn.col(i) = terms.s * by + terms.k * axis.dot(by) * axis + terms.c * axis.cross(by);
  }
  return out;
}

/// Largest |M e| over unit e.
double norm_of(const Matrix32& M) {
  const double a = M.col(0).squaredNorm();
  const double b = M.col(1).squaredNorm();
  return std::sqrt(0.5 * (a + b) + std::hypot(0.5 * (a - b), M.col(0).dot(M.col(1))));
}

/// How one region's bend moves the frame that the walk has reached.
struct RegionMove {
  Matrix32 point = Matrix32::Zero();  // dp / dTheta
  Matrix32 turn = Matrix32::Zero();
  double tau = 0.0;
};

/// Follows a body from its base to its tip.
class Walk {
 public:
  Walk(const Design& design, const State& state)
      : design_(design),
        regions_(regions_of(design, state)),
        moves_(regions_.size()),
        insertion_mm_(state.insertion_mm),
        guided_(design.carriage().kind == CarriageKind::guide),
        bends_(regions_.back().flexible_mm >= kNoLength_mm),
        driven_(design.tendons().has_value() && bends_),
        set_by_tendons_(set_by_tendons(design)),
        inserted_(state.insertion_mm * bend_per_insertion(design)) {
    for (const Region& region : regions_) total_ += region.theta;
  }

  BendLevers at_start() const {
    BendLevers levers;
    // From a guide less of the free region may be out than in this state.
    const double apart =
        (total_ - regions_.back().theta).norm() + regions_.back().theta.norm() + inserted_.norm();
    if (driven_) levers.total_bend_rad = guided_ ? apart : (total_ + inserted_).norm();
    return levers;
  }

  /// Levers at `to`, the walk having come to `from`.
  void step(double from, double to, BendLevers& levers) {
    while (regions_[at_].to_mm <= from && at_ + 1 < regions_.size()) ++at_;
    const double w = backlash_turn();
    const double tau = free_turn();
    const double flexible = exposed_flexible_length(design_, insertion_mm_, from, to);
    if (regions_[at_].flexible_mm >= kNoLength_mm) moves_[at_].tau += flexible / regions_[at_].flexible_mm;
    if (guided_) {
      // tau is convex over the step, so the trapezoid is no less than the integral.
      levers.backlash_mm += 0.5 * (to - from) * (w + backlash_turn());
      levers.free_mm += 0.5 * (to - from) * (tau + free_turn());
      levers.gain_mm = levers.free_mm * levers.total_bend_rad;
      return;
    }
    move_on(to - from, flexible > 0.0);
    first_order(levers);
    // Both turns only grow along the body: those at the step's end are the greatest.
    const double half = 0.5 * (to - from);
    levers.backlash_squared_mm += half * backlash_turn() * backlash_turn();
    levers.mixed_mm += half * backlash_turn() * free_turn();
    levers.free_squared_mm += half * free_turn() * free_turn();
  }

  BendDirections directions() const {
    BendDirections out;
    for (std::size_t j = 0; j + 1 < moves_.size(); ++j) out.at_lock.push_back(at_lock(j));
    if (!bends_) return out;
    out.free = moves_.back().point;
    out.gain = moves_.back().point * (set_by_tendons_ * (total_ + inserted_));
    return out;
  }

 private:
  /// w: sum of tau_j |delta_j| over the regions, e = 1.
  double backlash_turn() const {
    double turn = 0.0;
    for (std::size_t j = 0; j + 1 < moves_.size(); ++j) turn += (j == 0 ? 1.0 : 2.0) * moves_[j].tau;
    return moves_.size() > 1 && driven_ ? turn + moves_.back().tau : turn;
  }
  double free_turn() const { return bends_ ? moves_.back().tau : 0.0; }

  /// Along one piece of the region at_, flexible or rigid.
  void move_on(double length, bool flexible) {
    const Region& region = regions_[at_];
    const Eigen::Vector2d bend = flexible ? Eigen::Vector2d(length * region.u) : Eigen::Vector2d::Zero();
    const Eigen::Isometry3d X = arc_pose(flexible ? region.u : Eigen::Vector2d::Zero(), length);
    const Eigen::Vector3d ahead = R_ * X.translation();
    for (std::size_t j = 0; j <= at_; ++j)
      for (int i = 0; i < 2; ++i) moves_[j].point.col(i) += moves_[j].turn.col(i).cross(ahead);
    if (flexible) {
      const ArcDerivatives arc = derivatives_of_arc(bend, length);
      const double share = length / region.flexible_mm;
      moves_[at_].point += share * R_ * arc.end;
      moves_[at_].turn += share * R_ * arc.turn;
    }
    R_ = R_ * X.linear();
  }

  void first_order(BendLevers& levers) const {
    levers.backlash_mm = 0.0;
    for (std::size_t j = 0; j + 1 < moves_.size(); ++j) levers.backlash_mm += norm_of(at_lock(j));
    if (!bends_) return;
    levers.free_mm = norm_of(moves_.back().point);
    levers.gain_mm = (moves_.back().point * (set_by_tendons_ * (total_ + inserted_))).norm();
  }

  /// J_j - J_(j+1), and J_j - J_free S at the last lock.
  Matrix32 at_lock(std::size_t j) const {
    if (j + 2 < moves_.size()) return moves_[j].point - moves_[j + 1].point;
    return driven_ ? Matrix32(moves_[j].point - moves_[j + 1].point * set_by_tendons_) : moves_[j].point;
  }

  const Design& design_;
  std::vector<Region> regions_;
  std::vector<RegionMove> moves_;
  double insertion_mm_;
  bool guided_;
  bool bends_;   // does anything of the free region bend?
  bool driven_;  // do tendons set its bend?
  Eigen::Matrix2d set_by_tendons_;
  Eigen::Vector2d total_ = Eigen::Vector2d::Zero();
  Eigen::Vector2d inserted_;  // what G has besides
  Eigen::Matrix3d R_ = Eigen::Matrix3d::Identity();
  std::size_t at_ = 0;
};

}  // namespace

Eigen::Matrix2d set_by_tendons(const Design& design) {
  if (!design.tendons()) return Eigen::Matrix2d::Zero();
  const auto plane = TendonStatics(*design.tendons()).plane();
  return plane ? Eigen::Matrix2d(*plane * plane->transpose()) : Eigen::Matrix2d::Identity();
}

double BendLevers::first_order(double backlash_rad, double gain, double offset_rad) const {
  return backlash_rad * backlash_mm + gain * gain_mm + offset_rad * free_mm;
}

double BendLevers::second_order(double backlash_rad, double gain, double offset_rad) const {
  const double phi = gain * total_bend_rad + offset_rad;
  return backlash_rad * backlash_rad * backlash_squared_mm + 2.0 * backlash_rad * phi * mixed_mm +
         phi * phi * free_squared_mm;
}

BendLevers& BendLevers::cover(const BendLevers& other) {
  for (double BendLevers::*const part : kParts) this->*part = std::max(this->*part, other.*part);
  return *this;
}

BendLevers& BendLevers::add(const BendLevers& other) {
  for (double BendLevers::*const part : kParts) this->*part += other.*part;
  return *this;
}

namespace {

/// `first`, the tip, and between them every end of a region or rigid span and the base.
std::vector<double> body_ends(const Design& design, const State& state, double first) {
  std::vector<double> ends = {first, 0.0, design.length_mm()};
  for (const Region& region : regions_of(design, state)) ends.push_back(region.to_mm);
  for (const RigidSpan& span : design.rigid_spans()) ends.insert(ends.end(), {span.from_mm, span.to_mm});
  std::erase_if(ends, [&](double s) { return s < first || s > design.length_mm(); });
  std::sort(ends.begin(), ends.end());
  ends.erase(std::unique(ends.begin(), ends.end()), ends.end());
  return ends;
}

}  // namespace

std::vector<double> body_stations(const Design& design, const State& state, double first) {
  const auto ends = body_ends(design, state, first);
  std::vector<double> out;
  for (std::size_t i = 0; i + 1 < ends.size(); ++i) {
    const double span = ends[i + 1] - ends[i];
    const int pieces = std::max(1, static_cast<int>(std::ceil(span / kLeverStation_mm)));
    for (int k = 0; k < pieces; ++k) out.push_back(ends[i] + span * k / pieces);
  }
  out.push_back(ends.back());
  return out;
}

BendDirections bend_directions(const Design& design, const State& state, double station_mm) {
  Walk walk(design, state);
  BendLevers levers;
  const auto ends = body_ends(design, state, 0.0);
  for (std::size_t i = 0; i + 1 < ends.size() && ends[i] < station_mm; ++i)
    walk.step(ends[i], std::min(ends[i + 1], station_mm), levers);
  BendDirections out = walk.directions();
  out.point_E = Shape(design, state).point_E(station_mm);
  return out;
}

std::vector<BendLevers> bend_levers(const Design& design, const State& state,
                                    const std::vector<double>& stations) {
  std::vector<BendLevers> out;
  out.reserve(stations.size());
  Walk walk(design, state);
  BendLevers levers = walk.at_start();
  for (std::size_t i = 0; i < stations.size(); ++i) {
    if (i > 0 && stations[i] > 0.0) walk.step(stations[i - 1], stations[i], levers);
    out.push_back(levers);
  }
  return out;
}

double largest_curvature_between(const std::vector<Region>& regions, const State& from, const State& to) {
  double kappa = std::max(from.u_free.norm(), to.u_free.norm());
  for (const Region& region : regions)
    if (region.flexible_mm >= kNoLength_mm && region.frozen()) kappa = std::max(kappa, region.u.norm());
  return kappa;
}

BendLevers between_corners(const Design& design, const State& from, const State& to, double station_mm) {
  BendLevers out;
  if (design.carriage().kind == CarriageKind::guide) return out;
  const auto regions = regions_of(design, from);
  const Region& free = regions.back();
  const double kappa = largest_curvature_between(regions, from, to);
  double shortest = kInfinity;
  for (const Region& region : regions) {
    if (region.flexible_mm < kNoLength_mm) continue;
    shortest = std::min(shortest, region.flexible_mm);
  }
  const double along_body = station_mm * station_mm / 8.0;
  const double beta = free.flexible_mm * (to.u_free - from.u_free).norm();
  const double along_motion = beta * beta * (free.to_mm - free.from_mm) / 8.0;
  const double total =
      std::max((from.u_free * free.flexible_mm).norm(), (to.u_free * free.flexible_mm).norm());
  double frozen = 0.0;
  for (std::size_t j = 0; j + 1 < regions.size(); ++j) frozen += regions[j].theta.norm();
  // An error at a lock turns two regions, each by at most as much.
  out.backlash_mm = static_cast<double>(regions.size() - 1) *
                    (along_body * (2.0 * kappa + 1.0 / shortest) + 2.0 * along_motion);
  if (free.flexible_mm < kNoLength_mm) return out;
  out.free_mm = along_body * (kappa + 1.0 / shortest) + along_motion;
  if (!design.tendons()) return out;
  const double per_mm = bend_per_insertion(design).norm();
  const double most = frozen + total + per_mm * std::max(from.insertion_mm, to.insertion_mm);
  const double inserted = per_mm * std::abs(to.insertion_mm - from.insertion_mm);
  out.gain_mm = along_body * (kappa + 1.0 / shortest) * most + along_motion * (most + 2.0) +
                2.0 * beta * inserted * (free.to_mm - free.from_mm) / 8.0;
  return out;
}

}  // namespace withy
