// SPDX-License-Identifier: GPL-3.0-or-later
#include <algorithm>
#include <cmath>

#include "tests/support/plain_walks.h"

namespace withy_plain {
namespace {

constexpr double kLongestMotion_mm = 25.0;  // of one go, at the body's fastest point
constexpr double kNoBend_rad = 1e-9;
constexpr double kNoShare = 1e-6;  // a share of a region less than this is none
constexpr double kLeastToBend_mm = 1e-3;

}  // namespace

void Walker::visit(const State& state) {
  at_ = state;
  walks_->visited.push_back(state);
}

/// Goes straight to a state as far as that is allowed; did it get there?
bool Walker::go(const State& to) {
  const State from = at_;
  const double count = std::ceil(steps_between(from, to));
  if (!(count * step_mm_ <= kLongestMotion_mm)) return false;
  for (double i = 1; i <= count; ++i) {
    const double t = i / count;
    const State next = i < count ? moved(from, (1 - t) * from.insertion_mm + t * to.insertion_mm,
                                         (1 - t) * from.regions.back().u + t * to.regions.back().u)
                                 : to;
    if (!allowed(next)) return false;
    visit(next);
  }
  return true;
}

void Walker::wander() {
  const double size = scale();
  double d = at_.insertion_mm;
  Eigen::Vector2d u = at_.regions.back().u;
  const double kind = uniform(0, 3);  // advance, bend or steer
  if (kind < 1 || kind > 2) d = std::clamp(d + uniform(-20, 20) * size, 0.0, scene_.insertion_max_mm);
  if (kind > 1) {
    u += in_disk(2 * scene_.curvature_max_per_mm * size);
    if (u.norm() > scene_.curvature_max_per_mm) u *= scene_.curvature_max_per_mm * (1 - 1e-12) / u.norm();
  }
  go(moved(at_, d, u));
}

void Walker::switch_to(const std::optional<State>& to, int lock) {
  if (!to || !allowed(*to) || !field_allows(at_, lock) || !field_allows(*to, lock)) return;
  const bool engages = !at_.locked[static_cast<std::size_t>(lock)];
  ++(engages ? walks_->locked : walks_->unlocked);
  for (std::size_t i = static_cast<std::size_t>(lock) + 1; i < at_.locked.size(); ++i) {
    if (!at_.locked[i]) continue;
    ++walks_->inner;
    break;
  }
  if (hidden(at_, lock)) ++walks_->hidden;
  visit(*to);
}

/// Bends the free region until what is bent up to the lock is on notches.
bool Walker::bend_to_latch(int lock, std::size_t region) {
  const double from = at_.regions[region].from_mm;
  const double f = flexible_length(robot_, at_.insertion_mm, from, station(lock));
  if (f < kLeastToBend_mm) return false;
  const Eigen::Vector2d sum = theta_to(robot_, at_, from);
  const Eigen::Vector2d wish = at_.regions.back().u + in_disk(scale() * scene_.curvature_max_per_mm);
  const auto latched = latchable(sum + f * wish);
  if (!latched) return false;
  const Eigen::Vector2d u = (*latched - sum) / f;
  return u.norm() <= scene_.curvature_max_per_mm && go(moved(at_, at_.insertion_mm, u));
}

/// Out of a guide the share of a frozen bend that comes before the lock changes with the insertion: goes to
/// where it is on notches.
bool Walker::advance_to_latch(int lock, std::size_t region) {
  const Region r = at_.regions[region];
  const Eigen::Vector2d bend = theta(robot_, at_, r), sum = theta_to(robot_, at_, r.from_mm);
  if (!scene_.guide || bend.isZero(kNoBend_rad)) return true;
  const auto latched = latchable(sum + uniform(0, 1) * bend);
  if (!latched) return false;
  const double share = (*latched - sum).dot(bend) / bend.squaredNorm();
  if ((*latched - sum - share * bend).norm() > kNoBend_rad || share < kNoShare || share > 1 - kNoShare)
    return false;
  const auto d = insertion_for(share / (1 - share), r.from_mm, station(lock), r.to_mm);
  return d && go(moved(at_, *d, at_.regions.back().u));
}

void Walker::try_lock(int lock) {
  const std::size_t region = region_of(at_, lock);
  if (!hidden(at_, lock)) {
    const bool in_free = region + 1 == at_.regions.size();
    if (in_free ? !bend_to_latch(lock, region) : !advance_to_latch(lock, region)) return;
  }
  switch_to(engaged(at_, lock), lock);
}

/// Out of a guide: goes to the insertion at which two frozen regions have the same curvature, where there is
/// one.
bool Walker::advance_to_equal(std::size_t region) {
  const Region &a = at_.regions[region], &b = at_.regions[region + 1];
  const Eigen::Vector2d bend = theta(robot_, at_, a), next = theta(robot_, at_, b);
  if ((a.u - b.u).norm() <= kSameCurvature_per_mm) return true;
  if (!scene_.guide || next.isZero(kNoBend_rad)) return false;
  const double ratio = bend.dot(next) / next.squaredNorm();
  if ((bend - ratio * next).norm() > kNoBend_rad || ratio < kNoShare) return false;
  const auto d = insertion_for(ratio, a.from_mm, a.to_mm, b.to_mm);
  return d && go(moved(at_, *d, at_.regions.back().u));
}

void Walker::try_unlock(int lock) {
  const std::size_t region = region_of(at_, lock);
  if (!hidden(at_, lock)) {
    const bool last = region + 2 == at_.regions.size();
    if (last ? !go(moved(at_, at_.insertion_mm, at_.regions[region].u)) : !advance_to_equal(region)) return;
  }
  switch_to(released(at_, lock), lock);
}

void Walker::walk(const State& from, int actions, Walks& walks) {
  walks_ = &walks;
  ++walks.starts;
  visit(from);
  for (int i = 0; i < actions; ++i) {
    const int lock = std::uniform_int_distribution<int>(-1, robot_.locks() - 1)(random_);
    if (lock < 0)
      wander();
    else if (at_.locked[static_cast<std::size_t>(lock)])
      try_unlock(lock);
    else
      try_lock(lock);
  }
}

}  // namespace withy_plain
