// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/proof/lemmas/links.h"

#include <algorithm>
#include <cassert>
#include <cmath>
#include <optional>

#include "geometry/numbers/numbers.h"
#include "planner/motion/action.h"

namespace withy {

namespace {

// Widens each derived interval so that rounding never loses a switch: relative to angles of a few rad and
// lengths of 1e3 mm.
constexpr double kLinkRounding = 1e-9;

struct Interval {
  double low = 0.0;
  double high = 0.0;
  bool empty() const { return low > high; }
};

/// Bounds of bends, and of curvatures.
using Rectangle = BendRange;

/// Intervals of f >= 0 with some u in `u`, theta in `theta`: theta = u f.
Interval lengths_that_bend(const Interval& u, const Interval& theta) {
  Interval f{0.0, kInfinity};
  const auto at_most = [&](double slope, double bound) {  // slope f <= bound
    if (slope > 0.0)
      f.high = std::min(f.high, bound / slope);
    else if (slope < 0.0)
      f.low = std::max(f.low, bound / slope);
    else if (bound < 0.0)
      f.high = -1.0;
  };
  at_most(u.low, theta.high + kLinkRounding);
  at_most(-u.high, -theta.low + kLinkRounding);
  return f;
}

/// Hull of theta / f over the rectangle and f in [f_low, f_high], f_low >= 0, cut to `limit` in size.
Rectangle curvatures(const Rectangle& theta, const Interval& f, double limit) {
  Rectangle u;
  for (int k = 0; k < 2; ++k) {
    const auto over = [&](double t, bool lowest) {
      if (t == 0.0) return 0.0;
      const double length = (t > 0.0) == lowest ? f.high : f.low;
      return length > 0.0 ? t / length : (t > 0.0 ? limit : -limit);
    };
    u.low[k] = std::max(-limit, over(theta.low[k], true)) - kLinkRounding * limit;
    u.high[k] = std::min(limit, over(theta.high[k], false)) + kLinkRounding * limit;
  }
  return u;
}

/// Hull of u f.
Rectangle bends(const Rectangle& u, const Interval& f) {
  Rectangle theta;
  for (int k = 0; k < 2; ++k) {
    theta.low[k] = std::min(u.low[k] * f.low, u.low[k] * f.high) - kLinkRounding;
    theta.high[k] = std::max(u.high[k] * f.low, u.high[k] * f.high) + kLinkRounding;
  }
  return theta;
}

class LinkFinder {
 public:
  LinkFinder(const Design& design, const BendChart& chart, const Leaf& leaf, const Box& box,
             const Effort& effort, const std::function<bool(const SwitchLink&)>& take)
      : design_(design),
        chart_(chart),
        leaf_(leaf),
        box_(box),
        effort_(effort),
        take_(take),
        stretches_(stretches_of(design, leaf.engaged)) {
    kappa_ = design.segment().curvature_max_per_mm;
    n_ = chart.coordinates();
    play_ = 2.0 * chart.station_play_mm();  // of a length between two locks
  }

  /// False where it was told to stop.
  bool run() {
    for (int lock = 0; lock < design_.lock_count() && !enough_; ++lock) {
      if (leaf_.engaged.test(static_cast<std::size_t>(lock))) {
        release(lock);
        continue;
      }
      const std::size_t region = region_index(leaf_.engaged, lock);
      region == leaf_.base.size() ? engage_in_free(lock) : engage_in_frozen(lock, region);
    }
    return !enough_;
  }

  /// Precondition: the lock is engaged.
  void release(int lock) {
    const std::size_t region = region_index(leaf_.engaged, lock);
    region + 1 == leaf_.base.size() ? release_last(lock) : release_inner(lock, region);
  }

 private:
  Interval exposed(double from, double to, const Interval& d) const {
    return {std::max(0.0, exposed_flexible_length(design_, d.low, from, to) - play_),
            exposed_flexible_length(design_, d.high, from, to) + play_};
  }

  /// Part of `d` where the exposed flexible length of [from, to] lies in `f`; it grows with d, so by
  /// bisection (outwards).
  Interval insertions(const Interval& d, double from, double to, const Interval& of_length) const {
    const Interval f{of_length.low - play_, of_length.high + play_};
    const auto length = [&](double at) { return exposed_flexible_length(design_, at, from, to); };
    Interval out = d;
    if (length(d.high) < f.low - kLinkRounding || length(d.low) > f.high + kLinkRounding) return {1.0, 0.0};
    const auto bisect = [&](double target, bool keep_low) {
      double low = d.low;
      double high = d.high;
      for (int i = 0; i < 60; ++i) {
        const double mid = 0.5 * (low + high);
        const bool below = keep_low ? length(mid) < target : length(mid) <= target;
        (below ? low : high) = mid;
      }
      return keep_low ? low : high;
    };
    if (length(d.low) < f.low - kLinkRounding) out.low = bisect(f.low - kLinkRounding, true);
    if (length(d.high) > f.high + kLinkRounding) out.high = bisect(f.high + kLinkRounding, false);
    return out;
  }

  Interval d_range() const { return {box_.low[0], box_.high[0]}; }
  Rectangle u_range() const { return {{box_.low[1], box_.low[2]}, {box_.high[1], box_.high[2]}}; }

  /// Frozen bends of region r over the box.
  Rectangle frozen(std::size_t r) const { return frozen_bends(chart_, leaf_, box_, r); }

  /// Rectangles of each frozen region of the box.
  std::vector<Rectangle> all_frozen() const {
    std::vector<Rectangle> all;
    for (std::size_t r = 0; r < leaf_.base.size(); ++r) all.push_back(frozen(r));
    return all;
  }

  /// Adds the link to the leaf with `engaged` and bases; `theta` holds a rectangle for each of its frozen
  /// regions.
  void add(int lock, bool engages, Leaf other, const std::vector<Rectangle>& theta, const Interval& d,
           const Rectangle& u) {
    if (enough_) return;
    SwitchLink link;
    link.lock = lock;
    link.engages = engages;
    link.here = box_;
    narrow(link.here, d, u);
    link.there.dimensions = 3 + n_ * other.engaged_count();
    link.there.low = link.here.low;
    link.there.high = link.here.high;
    for (std::size_t r = 0; r < theta.size(); ++r)
      for (int c = 0; c < n_; ++c) {
        const auto k = 3 + r * static_cast<std::size_t>(n_) + static_cast<std::size_t>(c);
        const Eigen::Vector2d axis = chart_.axes().col(c);
        const Eigen::Vector2d middle = 0.5 * (theta[r].low + theta[r].high);
        const double reach = 0.5 * axis.cwiseAbs().dot(theta[r].high - theta[r].low);
        link.there.low[k] = axis.dot(middle) - reach;
        link.there.high[k] = axis.dot(middle) + reach;
      }
    link.other = std::move(other);
    enough_ = !take_(link);
  }

  static void narrow(Box& box, const Interval& d, const Rectangle& u) {
    box.low[0] = std::max(box.low[0], d.low);
    box.high[0] = std::min(box.high[0], d.high);
    for (int k = 0; k < 2; ++k) {
      const auto i = Box::idx(k + 1);
      box.low[i] = std::max(box.low[i], u.low[k]);
      box.high[i] = std::min(box.high[i], u.high[k]);
    }
  }

  bool meets(const Rectangle& u) const {
    const Rectangle mine = u_range();
    return (u.low.array() <= mine.high.array()).all() && (mine.low.array() <= u.high.array()).all();
  }

  /// Where theta = u f(d) for some theta of the rectangle: insertions and curvatures; nothing where never.
  struct Match {
    Interval d;
    Rectangle u;
  };
  std::optional<Match> match(const Rectangle& theta, double from, double to) const {
    const Rectangle u = u_range();
    const Interval fx = lengths_that_bend({u.low.x(), u.high.x()}, {theta.low.x(), theta.high.x()});
    const Interval fy = lengths_that_bend({u.low.y(), u.high.y()}, {theta.low.y(), theta.high.y()});
    const Interval f{std::max(fx.low, fy.low), std::min(fx.high, fy.high)};
    if (f.low > f.high * (1.0 + kLinkRounding) + kLinkRounding) return std::nullopt;
    const Interval d = insertions(d_range(), from, to, f);
    if (d.empty()) return std::nullopt;
    const Rectangle possible = curvatures(theta, exposed(from, to, d), kappa_);
    if (!meets(possible)) return std::nullopt;
    return Match{d, possible};
  }

  /// Part of the box's insertions with no flexible length out between `from` and the lock, which then
  /// switches at any curvature: up to where the proximal end of its rigid body leaves the guide, or, where
  /// its body touches that of the lock that `from` is, everywhere, with the free carriage too. It is the
  /// first part, since the length that is out grows with the insertion; rounded outwards by insertions().
  Interval slack(double from, int lock) const {
    return insertions(d_range(), from, design_.station_mm(lock), {0.0, kNoLength_mm});
  }

  /// May region r have no flexible length out? Then it has no curvature that could differ from another's:
  /// engaging the lock before it asked for nothing but a notch, and that way has to be found from both sides.
  bool may_hold_no_length(std::size_t r) const {
    return exposed(stretches_[r].from_mm, stretches_[r].to_mm, d_range()).low <= kNoLength_mm;
  }

  Leaf without(std::size_t r, int lock) const {
    Leaf other = leaf_;
    other.engaged.reset(static_cast<std::size_t>(lock));
    other.base.erase(other.base.begin() + static_cast<std::ptrdiff_t>(r));
    return other;
  }

  void release_last(int lock) {
    const std::size_t r = leaf_.base.size() - 1;
    auto theta = all_frozen();
    const Rectangle bend = theta.back();
    theta.pop_back();
    const Stretch& s = stretches_[r];
    if (const auto m = match(bend, s.from_mm, s.to_mm)) add(lock, false, without(r, lock), theta, m->d, m->u);
    const Interval in_guide = slack(s.from_mm, lock);
    const bool straight = (bend.low.array() <= 0.0).all() && (bend.high.array() >= 0.0).all();
    if (!in_guide.empty() && straight) add(lock, false, without(r, lock), theta, in_guide, u_range());
  }

  void engage_in_free(int lock) {
    const std::size_t r = leaf_.base.size();
    const double from = stretches_[r].from_mm;
    const double to = design_.station_mm(lock);
    const Rectangle bend = bends(u_range(), exposed(from, to, d_range()));
    const double limit = kappa_ * (design_.flexible_length(from, to) + play_);
    for_each_base_in(r, bend, [&](const Eigen::Vector2d& base) {
      if (base.norm() > limit + kLinkRounding) return;
      Leaf other = leaf_;
      other.engaged.set(static_cast<std::size_t>(lock));
      other.base.push_back(base);
      auto theta = all_frozen();
      theta.push_back(n_ == 0 ? Rectangle{base, base} : bend);
      if (const auto m = match(theta.back(), from, to)) add(lock, true, other, theta, m->d, m->u);
      const Interval in_guide = slack(from, lock);
      if (!in_guide.empty() && base.norm() < kNotchGrain) {
        theta.back() = {Eigen::Vector2d::Zero(), Eigen::Vector2d::Zero()};
        add(lock, true, other, theta, in_guide, u_range());
      }
    });
  }

  /// Discrete parts that a bend in `bend` at the end of region r may have.
  template <class Use>
  void for_each_base_in(std::size_t r, const Rectangle& bend, const Use& use) {
    const Eigen::Vector2d centre = 0.5 * (bend.low + bend.high);
    const double radius = 0.5 * (bend.high - bend.low).norm() + kNotchGrain;
    const auto go_on = [&](const Eigen::Vector2d& base) {
      use(base);
      return !enough_;
    };
    if (!chart_.for_each_base(leaf_.base_sum(static_cast<int>(r)), centre, radius, effort_, go_on))
      enough_ = true;
  }

  /// Two frozen regions joined: possible where their curvatures can be equal.
  void release_inner(int lock, std::size_t r) {
    const Rectangle a = frozen(r);
    const Rectangle b = frozen(r + 1);
    const Rectangle ua =
        curvatures(a, exposed(stretches_[r].from_mm, stretches_[r].to_mm, d_range()), kappa_);
    const Rectangle ub =
        curvatures(b, exposed(stretches_[r + 1].from_mm, stretches_[r + 1].to_mm, d_range()), kappa_);
    const bool meet = ((ua.low - ub.high).array() <= kEqualCurvature_per_mm).all() &&
                      ((ub.low - ua.high).array() <= kEqualCurvature_per_mm).all();
    if (!meet && slack(stretches_[r].from_mm, lock).empty() && !may_hold_no_length(r + 1)) return;
    Leaf other = without(r, lock);
    other.base[r] = chart_.base_of(leaf_.base[r] + leaf_.base[r + 1]);
    auto theta = all_frozen();
    theta[r + 1] = {a.low + b.low, a.high + b.high};
    theta.erase(theta.begin() + static_cast<std::ptrdiff_t>(r));
    add(lock, false, other, theta, d_range(), u_range());
  }

  /// A frozen region split: possible where what is bent up to the lock is on a notch.
  void engage_in_frozen(int lock, std::size_t r) {
    const Stretch& s = stretches_[r];
    const double station = design_.station_mm(lock);
    const Rectangle whole = frozen(r);
    const Rectangle u = curvatures(whole, exposed(s.from_mm, s.to_mm, d_range()), kappa_);
    const Rectangle near = bends(u, exposed(s.from_mm, station, d_range()));
    for_each_base_in(r, near, [&](const Eigen::Vector2d& base) {
      const bool inside = ((base - near.low).array() >= -kNotchGrain).all() &&
                          ((near.high - base).array() >= -kNotchGrain).all();
      if (n_ == 0 && !inside) return;
      Leaf other = leaf_;
      other.engaged.set(static_cast<std::size_t>(lock));
      other.base.insert(other.base.begin() + static_cast<std::ptrdiff_t>(r), base);
      other.base[r + 1] = chart_.base_of(leaf_.base[r] - base);
      auto theta = all_frozen();
      const Rectangle first = n_ == 0 ? Rectangle{base, base} : near;
      theta[r] = {whole.low - first.high, whole.high - first.low};
      theta.insert(theta.begin() + static_cast<std::ptrdiff_t>(r), first);
      add(lock, true, other, theta, d_range(), u_range());
    });
  }

  const Design& design_;
  const BendChart& chart_;
  const Leaf& leaf_;
  const Box& box_;
  const Effort& effort_;
  const std::function<bool(const SwitchLink&)>& take_;
  bool enough_ = false;  // take_ said so, or the effort is cut short
  std::vector<Stretch> stretches_;
  double kappa_ = 0.0;
  double play_ = 0.0;
  int n_ = 0;
};

}  // namespace

bool for_each_link(const Design& design, const BendChart& chart, const Leaf& leaf, const Box& box,
                   const Effort& effort, const std::function<bool(const SwitchLink&)>& take) {
  return LinkFinder(design, chart, leaf, box, effort, take).run();
}

void for_each_release(const Design& design, const BendChart& chart, const Leaf& leaf, const Box& box,
                      int lock, const std::function<bool(const SwitchLink&)>& take) {
  assert(leaf.engaged.test(static_cast<std::size_t>(lock)));
  const Effort any;
  LinkFinder(design, chart, leaf, box, any, take).release(lock);
}

void links_of(const Design& design, const BendChart& chart, const Leaf& leaf, const Box& box,
              std::vector<SwitchLink>& out) {
  out.clear();
  for_each_link(design, chart, leaf, box, Effort(), [&](const SwitchLink& link) {
    out.push_back(link);
    return true;
  });
}

}  // namespace withy
