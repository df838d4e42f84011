// SPDX-License-Identifier: GPL-3.0-or-later
// What may differ between a plan and the bench: how large each error may be, and one draw of all of them.
//
//   backlash        a latched backbone sits up to b from its notch, so the bend from the base to an engaged
//   lock is off by
//                   up to b / r_b in any direction (rad); a friction lock has no notch and keeps, besides,
//                   what all errors had bent when it engaged (bench_hardware.h)
//   pull gain       all pulls are (1 + g) times what they should be (a drum's radius); with motors that
//                   stand still the pull -d of the insertion is part of them
//   pull offset     each tendon's zero is off by up to o
//   entry           the carriage stands off: position, and direction about the entry point
//   registration    the channel lies elsewhere than the scene says: position, and turn about the middle of
//                   its mesh
//   lumen scale     the channel came out (1 + sigma) times as large, about the entry point
//   coil gain       the coils make (1 + gamma) times the field that they should
//   magnet strength all magnets have (1 + mu) times their moment
//
// Tendons set the bend from the base to the tip, Theta_total = the sum of all regions' Theta, the latches
// those of the frozen regions; the free region gets what is left. So with the bends at engaged locks off by
// e_i (i proximal to distal), and A the least-squares inverse of pull = r_t (cos beta, sin beta) . Theta
// (planner/segment/tendons.h; for spacer disks the same to first order),
//   Theta_i' = Theta_i + e_i - e_(i-1),   Theta_free' = Theta_free + S (g G - e_last) + A o,
//   G = Theta_total - d A 1 with motors that stand (1: all pulls 1), Theta_total with motors that ride,
// S the part of a bend that the tendons set: all of it, or, where they lie in one plane, what lies in that.
// Where the scene has no tendons the free region is bent as planned.
#pragma once

#include <array>
#include <filesystem>
#include <random>
#include <string_view>
#include <vector>

#include <Eigen/Core>

#include "planner/scene/scene.h"

namespace withy {

enum class ErrorKind {
  backlash,
  pull_gain,
  pull_offset,
  entry_position,
  entry_angle,
  registration_position,
  registration_angle,
  lumen_scale,
  coil_gain,
  magnet_strength
};
inline constexpr std::size_t kErrorKinds = 10;

struct ErrorName {
  std::string_view key;    ///< in files, with its unit
  std::string_view words;  ///< for people
  double per_file_unit;    ///< the code's unit for one of the file's: radians for a degree
};
const std::array<ErrorName, kErrorKinds>& error_names();

/// The most that each error may be: mm, rad, or a share.
struct ErrorSizes {
  std::array<double, kErrorKinds> most{};
  double operator[](ErrorKind kind) const { return most[static_cast<std::size_t>(kind)]; }
  double& operator[](ErrorKind kind) { return most[static_cast<std::size_t>(kind)]; }
};

/// The scene's backlash, and for the others what is common practice on a bench (no source).
ErrorSizes usual_errors(const Scene& scene);

/// Reads a TOML file with one key for each error, all required but the coils' and the magnets': where they
/// are left out, the usual sizes of these stand.
Result<ErrorSizes> read_errors(const std::filesystem::path& file);

/// One bench, drawn.
struct ErrorDraw {
  std::array<Eigen::Vector2d, kMaxLocks> bend_at_lock;  ///< e_i, rad
  double pull_gain = 0.0;
  Eigen::VectorXd pull_offset_mm;
  Eigen::Vector3d entry_position_mm = Eigen::Vector3d::Zero();
  Eigen::Vector3d entry_turn = Eigen::Vector3d::Zero();  ///< rotation vector, rad
  Eigen::Vector3d registration_position_mm = Eigen::Vector3d::Zero();
  Eigen::Vector3d registration_turn = Eigen::Vector3d::Zero();
  double lumen_scale = 0.0;
  double coil_gain = 0.0;
  double magnet_strength = 0.0;

  static ErrorDraw none(const Design& design);
  /// Takes one error from another draw.
  void take(ErrorKind kind, const ErrorDraw& from);
};

/// Each error drawn evenly within its size (vectors within the disk or ball of that radius), since a bound is
/// all that is known of it. Boost.Random over std::mt19937_64: the same on every platform.
ErrorDraw draw_errors(const Design& design, const ErrorSizes& sizes, std::mt19937_64& generator);

/// -A 1 (rad per mm of insertion): the bend that the pulls which motors that stand take up for the insertion
/// would make. Zero with motors that ride, and where the tendons are balanced (their directions sum to zero).
/// `bend_per_pull` is A (bench.h, bend_from_pulls).
Eigen::Vector2d bend_per_insertion(const Design& design, const Eigen::MatrixXd& bend_per_pull);
Eigen::Vector2d bend_per_insertion(const Design& design);

/// Do the locks hold whatever bend they were given, without notches?
bool holds_by_friction(const Design& design);

/// Engagements of friction locks in one plan for which most_lock_bend holds, with the free carriage.
inline int most_friction_engagements(const Design& design) {
  return 2 * design.lock_count();
}

/// Most (rad) that the bend up to an engaged lock may be off. On a notch e = b / r_b. A friction lock freezes
/// (1 - s) E + s phi + its own e, E what locks engaged before it have, s at most 1 and phi what the tendons
/// add (bend_levers.h), so after m engagements at most m e + |phi|, where
/// |phi| <= g (kappa_max L + d_max |A 1|) + a o. With a guide, where no region bends past its limit, at most
/// 2 kappa_max L + e.
double most_lock_bend(const Design& design, const ErrorSizes& sizes);

/// Largest |A o| (rad) over all offsets of at most 1 mm each; 0 without tendons.
double bend_per_offset(const Design& design);

}  // namespace withy
