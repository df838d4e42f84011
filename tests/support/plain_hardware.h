// SPDX-License-Identifier: GPL-3.0-or-later
// The plain implementation, used by tests only: latch, tendons, lock load and field.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "tests/support/plain_body.h"

namespace withy_plain {

/// Slide of each backbone at a lock: r_b (cos psi_k, sin psi_k) . theta_sum.
std::vector<double> backbone_slides(const Latch& latch, const Eigen::Vector2d& theta_sum);

/// How far the worst backbone is from a whole multiple of the pitch (mm); 0 for a friction lock.
double notch_miss(const Latch& latch, const Eigen::Vector2d& theta_sum);

/// Pull of each tendon (mm, positive = out of the base). Continuous: r_t e_k . sum of Theta. Disks at
/// stations 0, h, 2h, ..., L: the tendon is straight from hole to hole, each hole where the body takes it;
/// the pull is the segment's length less the sum of those distances. Motors that stand: less the insertion.
std::vector<double> pulls(const Robot& robot, const State& state);

/// Tensions at the free region with sum T_k r_t e_k = EI u, T_k >= T_pre and least sum: every basic solution
/// (all but two tendons at T_pre) is tried. Nothing when no such tensions exist.
std::optional<std::vector<double>> tip_tensions(const Robot& robot, const Eigen::Vector2d& u_free);

/// Tensions at the base: T_k exp(mu sum |Theta|) (capstan equation).
std::optional<std::vector<double>> base_tensions(const Robot& robot, const State& state);

/// What each lock carries (N mm), 0 where released: the most of |sum t_k r_t e_k - EI u| of the region which
/// ends at the lock, over every choice of each t_k as the tip's tension times exp(+mu Lambda) or times
/// exp(-mu Lambda).
std::vector<double> lock_moments(const Robot& robot, const State& state);

/// How far the latches' play b lets the tip be off, to first order (mm): sum over frozen regions of b / r_b
/// times the most that the tip moves for a unit change of the region's bending angle vector. 0 without a
/// latch.
double backlash_tip_shift(const Robot& robot, const State& state);

/// The coils' field (scene frame, mT) at `lock` (index from 0) when the least currents switch it with a
/// reserve of 1 and keep all others, at this state before the switch; nothing when no currents do, whatever
/// their strength.
std::optional<Eigen::Vector3d> least_field(const Robot& robot, const State& state, int lock);

/// Currents (A) that make a uniform field.
Eigen::Vector3d currents(const Field& field, const Eigen::Vector3d& field_S_mT);

}  // namespace withy_plain
