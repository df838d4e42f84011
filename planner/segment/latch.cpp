// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/segment/latch.h"

#include <algorithm>
#include <cassert>
#include <cmath>
#include <cstdint>

#include <Eigen/LU>

#include "planner/effort/shares.h"

namespace withy {
namespace {

/// Slides closer to the window's edge than this count as within it (mm): rounding of angles given in degrees
/// moves a slide by some 1e-15 mm, no machine part is made to better than 1e-5 mm.
constexpr double kSlideRounding_mm = 1e-9;

/// Backbones whose directions differ by less than this (sine of the angle) count as being in one plane: 180
/// degrees in radians is wrong by 1e-16, an angle meant to differ is stated to 1e-4 rad at best.
constexpr double kSamePlane = 1e-9;

/// Bends closer than this are the same bend (rad), far below what a notch resolves.
constexpr double kSameBend_rad = 1e-9;

Eigen::Vector2d direction(double angle_rad) {
  return {std::cos(angle_rad), std::sin(angle_rad)};
}

/// A slide is at most half a pitch from the nearest multiple, so a wider window says no more than half a
/// pitch does.
double window(const LatchHardware& latch) {
  return std::min(latch.engage_window_mm, 0.5 * latch.notch_pitch_mm) + kSlideRounding_mm;
}

int backbone_count(const LatchHardware& latch) {
  return static_cast<int>(latch.backbone_angle_rad.size());
}

Eigen::Vector2d backbone_direction(const LatchHardware& latch, int k) {
  return direction(latch.backbone_angle_rad[static_cast<std::size_t>(k)]);
}

/// The two backbones whose directions are nearest to square, and the sine of the angle between them.
struct BasePair {
  int first = 0;
  int second = 0;
  double sine = 0.0;
};

BasePair base_pair(const LatchHardware& latch) {
  BasePair best;
  for (int i = 0; i < backbone_count(latch); ++i) {
    for (int j = i + 1; j < backbone_count(latch); ++j) {
      const Eigen::Vector2d a = backbone_direction(latch, i);
      const Eigen::Vector2d b = backbone_direction(latch, j);
      const double sine = std::abs(a.x() * b.y() - a.y() * b.x());
      if (sine > best.sine) best = {i, j, sine};
    }
  }
  return best;
}

/// Least-squares bend for given slides, through the normal equations sum(e e') Phi = sum(e delta) / r_b: 2 x
/// 2, and well conditioned because the backbones are not in one plane.
class LeastSquaresBend {
 public:
  explicit LeastSquaresBend(const LatchHardware& latch) : latch_(latch) {
    Eigen::Matrix2d gram = Eigen::Matrix2d::Zero();
    for (int k = 0; k < backbone_count(latch); ++k) {
      const Eigen::Vector2d e = backbone_direction(latch, k);
      gram += e * e.transpose();
    }
    const double det = gram.determinant();
    inverse_ << gram(1, 1), -gram(0, 1), -gram(1, 0), gram(0, 0);
    inverse_ /= det * latch.backbone_radius_mm;
  }

  template <class Notches>
  Eigen::Vector2d operator()(const Notches& notch) const {
    Eigen::Vector2d moment = Eigen::Vector2d::Zero();
    for (int k = 0; k < backbone_count(latch_); ++k)
      moment += backbone_direction(latch_, k) * (latch_.notch_pitch_mm * notch(k));
    return inverse_ * moment;
  }

 private:
  const LatchHardware& latch_;
  Eigen::Matrix2d inverse_;
};

double slide(const LatchHardware& latch, int k, const Eigen::Vector2d& theta_sum) {
  return latch.backbone_radius_mm * backbone_direction(latch, k).dot(theta_sum);
}

double nearest_notch(const LatchHardware& latch, double slide_mm) {
  return std::round(slide_mm / latch.notch_pitch_mm);
}

/// Is every backbone within the window of the notch that `notch(k)` names?
template <class Notches>
bool all_engage(const LatchHardware& latch, const Eigen::Vector2d& theta_sum, const Notches& notch) {
  const double reach = window(latch);
  for (int k = 0; k < backbone_count(latch); ++k)
    if (std::abs(slide(latch, k, theta_sum) - notch(k) * latch.notch_pitch_mm) > reach) return false;
  return true;
}

/// The latch acts along its one plane only; across it the bend stays as it was.
Eigen::Vector2d pulled_onto_line(const LatchHardware& latch, const Eigen::Vector2d& theta_sum) {
  const Eigen::Vector2d a = backbone_direction(latch, 0);
  const double along = a.dot(theta_sum);
  const double notch = nearest_notch(latch, latch.backbone_radius_mm * along);
  return theta_sum + a * (notch * latch.notch_pitch_mm / latch.backbone_radius_mm - along);
}

/// Walks over every choice of whole notches for all backbones that may engage together, given those of the
/// base pair.
///
/// With the base pair on notches (n_i, n_j) the bend is within the window of P, the bend that puts the pair
/// exactly on them; writing e_k = a e_i + b e_j (|a|, |b| <= 1, the pair being the one nearest to square)
/// backbone k's slide is within w (|a| + |b|) of P's, so its notch is within w (1 + |a| + |b|) of it. Every
/// such notch is tried; the bend they give together is kept when all of them engage at that bend, which is
/// the definition itself.
class NotchChoices {
 public:
  NotchChoices(const LatchHardware& latch, const BasePair& base) : latch_(latch), base_(base), solve_(latch) {
    notch_.resize(static_cast<std::size_t>(backbone_count(latch)));
    const Eigen::Vector2d ei = backbone_direction(latch, base.first);
    const Eigen::Vector2d ej = backbone_direction(latch, base.second);
    basis_ << ei, ej;
    dual_ = basis_.inverse();
  }

  template <class Found>
  void visit(long first_notch, long second_notch, const Found& found) {
    notch_[static_cast<std::size_t>(base_.first)] = static_cast<double>(first_notch);
    notch_[static_cast<std::size_t>(base_.second)] = static_cast<double>(second_notch);
    const Eigen::Vector2d slides = latch_.notch_pitch_mm * Eigen::Vector2d(static_cast<double>(first_notch),
                                                                           static_cast<double>(second_notch));
    const Eigen::Vector2d base_bend = dual_.transpose() * slides / latch_.backbone_radius_mm;
    choose(0, base_bend, found);
  }

 private:
  template <class Found>
  void choose(int k, const Eigen::Vector2d& base_bend, const Found& found) {
    if (k == backbone_count(latch_)) {
      const auto notch = [this](int i) { return notch_[static_cast<std::size_t>(i)]; };
      const Eigen::Vector2d bend = solve_(notch);
      if (all_engage(latch_, bend, notch)) found(bend);
      return;
    }
    if (k == base_.first || k == base_.second) return choose(k + 1, base_bend, found);
    const Eigen::Vector2d weights = dual_ * backbone_direction(latch_, k);
    const double reach = window(latch_) * (1.0 + weights.cwiseAbs().sum());
    const double middle = slide(latch_, k, base_bend);
    const double pitch = latch_.notch_pitch_mm;
    for (double n = std::ceil((middle - reach) / pitch); n * pitch <= middle + reach; n += 1.0) {
      notch_[static_cast<std::size_t>(k)] = n;
      choose(k + 1, base_bend, found);
    }
  }

  const LatchHardware& latch_;
  BasePair base_;
  LeastSquaresBend solve_;
  Eigen::Matrix2d basis_;  // base directions as columns
  Eigen::Matrix2d dual_;
  std::vector<double> notch_;
};

bool before(const Eigen::Vector2d& a, const Eigen::Vector2d& b) {
  return a.x() != b.x() ? a.x() < b.x() : a.y() < b.y();
}

/// Sorts by x then y and keeps one of each group of bends that differ by rounding only.
void sort_and_drop_repeats(std::vector<Eigen::Vector2d>& bends) {
  std::sort(bends.begin(), bends.end(), before);
  std::vector<Eigen::Vector2d> kept;
  for (const Eigen::Vector2d& bend : bends) {
    bool repeat = false;
    for (auto it = kept.rbegin(); it != kept.rend() && bend.x() - it->x() <= kSameBend_rad && !repeat; ++it)
      repeat = std::abs(bend.y() - it->y()) <= kSameBend_rad;
    if (!repeat) kept.push_back(bend);
  }
  bends = std::move(kept);
}

}  // namespace

LatchHardware exact_latch(LatchHardware latch, double rounding_rad) {
  latch.engage_window_mm = latch.backbone_radius_mm * rounding_rad;
  return latch;
}

Eigen::VectorXd backbone_slides(const LatchHardware& latch, const Eigen::Vector2d& theta_sum) {
  Eigen::VectorXd slides(backbone_count(latch));
  for (int k = 0; k < backbone_count(latch); ++k) slides(k) = slide(latch, k, theta_sum);
  return slides;
}

LatticeKind lattice_kind(const LatchHardware& latch) {
  if (latch.notch_pitch_mm <= 0.0 || latch.backbone_angle_rad.empty()) return LatticeKind::everything;
  return base_pair(latch).sine > kSamePlane ? LatticeKind::points : LatticeKind::lines;
}

std::optional<Eigen::Vector2d> latched_bend(const LatchHardware& latch, const Eigen::Vector2d& theta_sum) {
  const LatticeKind kind = lattice_kind(latch);
  if (kind == LatticeKind::everything) return theta_sum;
  const auto notch = [&](int k) { return nearest_notch(latch, slide(latch, k, theta_sum)); };
  if (!all_engage(latch, theta_sum, notch)) return std::nullopt;
  if (kind == LatticeKind::lines) return pulled_onto_line(latch, theta_sum);
  const Eigen::Vector2d bend = LeastSquaresBend(latch)(notch);
  if (!all_engage(latch, bend, notch)) return std::nullopt;
  return bend;
}

namespace {

/// Notches of the base pair that bends near a centre can have: first to last of each.
struct NotchRange {
  long first_low, first_high;
  long second_low, second_high;
  double count() const {
    return static_cast<double>(first_high - first_low + 1) *
           static_cast<double>(second_high - second_low + 1);
  }
};

NotchRange notches_near(const LatchHardware& latch, const BasePair& base, const Eigen::Vector2d& centre,
                        double radius_rad) {
  const double reach = latch.backbone_radius_mm * radius_rad + window(latch);
  const double pitch = latch.notch_pitch_mm;
  const double first = slide(latch, base.first, centre);
  const double second = slide(latch, base.second, centre);
  const auto low = [&](double middle) { return std::lround(std::ceil((middle - reach) / pitch)); };
  const auto high = [&](double middle) { return std::lround(std::floor((middle + reach) / pitch)); };
  return {low(first), high(first), low(second), high(second)};
}

bool is_near(const Eigen::Vector2d& bend, const Eigen::Vector2d& centre, double radius_rad) {
  return (bend - centre).norm() <= radius_rad + kSameBend_rad;
}

}  // namespace

std::vector<Eigen::Vector2d> lattice_points(const LatchHardware& latch, const Eigen::Vector2d& centre,
                                            double radius_rad) {
  assert(lattice_kind(latch) == LatticeKind::points);
  const BasePair base = base_pair(latch);
  NotchChoices choices(latch, base);
  const NotchRange range = notches_near(latch, base, centre, radius_rad);
  std::vector<Eigen::Vector2d> bends;
  const auto keep = [&](const Eigen::Vector2d& bend) {
    if (is_near(bend, centre, radius_rad)) bends.push_back(bend);
  };
  for (long i = range.first_low; i <= range.first_high; ++i)
    for (long j = range.second_low; j <= range.second_high; ++j) choices.visit(i, j, keep);
  sort_and_drop_repeats(bends);
  return bends;
}

bool for_each_lattice_point(const LatchHardware& latch, const Eigen::Vector2d& centre, double radius_rad,
                            const Effort& effort, const std::function<bool(const Eigen::Vector2d&)>& take) {
  const BasePair base = base_pair(latch);
  const NotchRange range = notches_near(latch, base, centre, radius_rad);
  if (!(range.count() > shares::kLatticeAtOnce)) {
    const std::vector<Eigen::Vector2d> bends = lattice_points(latch, centre, radius_rad);
    return std::all_of(bends.begin(), bends.end(), take);
  }
  NotchChoices choices(latch, base);
  // With no window but rounding, no two pairs of notches give the same bend: there are no repeats to drop.
  bool more = true;
  std::int64_t visits = 0;
  const auto offer = [&](const Eigen::Vector2d& bend) {
    if (more && is_near(bend, centre, radius_rad)) more = take(bend);
  };
  const auto row = [&](long i) {
    for (long j = range.second_low; more && j <= range.second_high; ++j) {
      choices.visit(i, j, offer);
      if (++visits % shares::kLatticeAskInterval == 0 && effort.cut_short()) more = false;
    }
  };
  const long middle = range.first_low + (range.first_high - range.first_low) / 2;
  for (long k = 0; more && middle - k >= range.first_low; ++k) {
    row(middle - k);
    if (middle + k + 1 <= range.first_high) row(middle + k + 1);
  }
  return more;
}

bool for_each_lattice_line(const LatchHardware& latch, const Eigen::Vector2d& centre, double radius_rad,
                           const std::function<bool(const BendLine&)>& take) {
  assert(lattice_kind(latch) == LatticeKind::lines);
  const Eigen::Vector2d a = backbone_direction(latch, 0);
  const double spacing = latch.notch_pitch_mm / latch.backbone_radius_mm;
  const double middle = a.dot(centre);
  const double reach = radius_rad + kSameBend_rad;
  for (double n = std::ceil((middle - reach) / spacing); n * spacing <= middle + reach; n += 1.0)
    if (!take({a * (n * spacing), Eigen::Vector2d(-a.y(), a.x())})) return false;
  return true;
}

std::vector<BendLine> lattice_lines(const LatchHardware& latch, const Eigen::Vector2d& centre,
                                    double radius_rad) {
  std::vector<BendLine> lines;
  for_each_lattice_line(latch, centre, radius_rad, [&](const BendLine& line) {
    lines.push_back(line);
    return true;
  });
  return lines;
}

}  // namespace withy
