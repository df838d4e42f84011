// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/tolerance/errors.h"

#include <cmath>

#include <boost/random/uniform_01.hpp>
#include <fmt/core.h>

#include "geometry/numbers/numbers.h"
#include "planner/tolerance/bench.h"

namespace withy {
namespace {

// Common practice, no source: a drum turned to 1 %, tendons tensioned by eye, a stage aligned with a ruler
// and a square, a printed phantom.
constexpr double kUsualPullGain = 0.01;
constexpr double kUsualPullOffset_mm = 0.05;
constexpr double kUsualPosition_mm = 0.2;
constexpr double kUsualAngle_rad = 0.3 * kRadiansPerDegree;
constexpr double kUsualLumenScale = 0.005;
// Coils set up by their number of turns, magnets by their maker's grade.
constexpr double kUsualCoilGain = 0.05;
constexpr double kUsualMagnetStrength = 0.05;

double even_within(double most, std::mt19937_64& generator) {
  return most * (2.0 * boost::random::uniform_01<double>()(generator) - 1.0);
}

/// Evenly from the disk or ball of radius `most`, by rejection: no rounding of library functions gets in.
template <class Vector>
Vector even_in_ball(double most, std::mt19937_64& generator) {
  while (true) {
    Vector v;
    for (Eigen::Index i = 0; i < v.size(); ++i) v[i] = even_within(1.0, generator);
    if (v.squaredNorm() <= 1.0) return most * v;
  }
}

}  // namespace

const std::array<ErrorName, kErrorKinds>& error_names() {
  static constexpr std::array<ErrorName, kErrorKinds> kNames = {
      {{"backlash_mm", "latch backlash", 1.0},
       {"pull_gain", "tendon pull gain", 1.0},
       {"pull_offset_mm", "tendon pull offset", 1.0},
       {"entry_position_mm", "entry position", 1.0},
       {"entry_angle_deg", "entry direction", kRadiansPerDegree},
       {"registration_position_mm", "registration, position", 1.0},
       {"registration_angle_deg", "registration, turn", kRadiansPerDegree},
       {"lumen_scale", "lumen scale", 1.0},
       {"coil_gain", "coil gain", 1.0},
       {"magnet_strength", "magnet strength", 1.0}}};
  return kNames;
}

ErrorSizes usual_errors(const Scene& scene) {
  ErrorSizes sizes;
  sizes[ErrorKind::backlash] = scene.parts.latch ? scene.parts.latch->backlash_mm : 0.0;
  sizes[ErrorKind::pull_gain] = kUsualPullGain;
  sizes[ErrorKind::pull_offset] = kUsualPullOffset_mm;
  sizes[ErrorKind::entry_position] = kUsualPosition_mm;
  sizes[ErrorKind::entry_angle] = kUsualAngle_rad;
  sizes[ErrorKind::registration_position] = kUsualPosition_mm;
  sizes[ErrorKind::registration_angle] = kUsualAngle_rad;
  sizes[ErrorKind::lumen_scale] = kUsualLumenScale;
  sizes[ErrorKind::coil_gain] = kUsualCoilGain;
  sizes[ErrorKind::magnet_strength] = kUsualMagnetStrength;
  return sizes;
}

Result<ErrorSizes> read_errors(const std::filesystem::path& path) {
  auto file = TomlFile::open(path);
  if (!file) return tl::unexpected<InputError>(file.error());
  TomlSection root = (*file)->root();
  ErrorSizes sizes;
  sizes[ErrorKind::coil_gain] = kUsualCoilGain;
  sizes[ErrorKind::magnet_strength] = kUsualMagnetStrength;
  for (std::size_t i = 0; i < kErrorKinds; ++i) {
    const ErrorName& name = error_names()[i];
    const std::string key(name.key);
    if (i >= static_cast<std::size_t>(ErrorKind::coil_gain) && !root.has(key)) continue;
    sizes.most[i] = root.number(key) * name.per_file_unit;
  }
  root.close();
  if (const auto fault = (*file)->first_fault()) return tl::unexpected<InputError>(*fault);
  return sizes;
}

ErrorDraw ErrorDraw::none(const Design& design) {
  ErrorDraw draw;
  draw.bend_at_lock.fill(Eigen::Vector2d::Zero());
  draw.pull_offset_mm = Eigen::VectorXd::Zero(
      design.tendons() ? static_cast<Eigen::Index>(design.tendons()->angle_rad.size()) : 0);
  return draw;
}

void ErrorDraw::take(ErrorKind kind, const ErrorDraw& from) {
  switch (kind) {
    case ErrorKind::backlash:
      bend_at_lock = from.bend_at_lock;
      return;
    case ErrorKind::pull_gain:
      pull_gain = from.pull_gain;
      return;
    case ErrorKind::pull_offset:
      pull_offset_mm = from.pull_offset_mm;
      return;
    case ErrorKind::entry_position:
      entry_position_mm = from.entry_position_mm;
      return;
    case ErrorKind::entry_angle:
      entry_turn = from.entry_turn;
      return;
    case ErrorKind::registration_position:
      registration_position_mm = from.registration_position_mm;
      return;
    case ErrorKind::registration_angle:
      registration_turn = from.registration_turn;
      return;
    case ErrorKind::lumen_scale:
      lumen_scale = from.lumen_scale;
      return;
    case ErrorKind::coil_gain:
      coil_gain = from.coil_gain;
      return;
    case ErrorKind::magnet_strength:
      magnet_strength = from.magnet_strength;
      return;
  }
}

ErrorDraw draw_errors(const Design& design, const ErrorSizes& sizes, std::mt19937_64& generator) {
  ErrorDraw draw = ErrorDraw::none(design);
  const double bend = design.latch() ? sizes[ErrorKind::backlash] / design.latch()->backbone_radius_mm : 0.0;
  for (int lock = 0; lock < design.lock_count(); ++lock)
    draw.bend_at_lock[static_cast<std::size_t>(lock)] = even_in_ball<Eigen::Vector2d>(bend, generator);
  draw.pull_gain = even_within(sizes[ErrorKind::pull_gain], generator);
  for (double& offset : draw.pull_offset_mm) offset = even_within(sizes[ErrorKind::pull_offset], generator);
  draw.entry_position_mm = even_in_ball<Eigen::Vector3d>(sizes[ErrorKind::entry_position], generator);
  draw.entry_turn = even_in_ball<Eigen::Vector3d>(sizes[ErrorKind::entry_angle], generator);
  draw.registration_position_mm =
      even_in_ball<Eigen::Vector3d>(sizes[ErrorKind::registration_position], generator);
  draw.registration_turn = even_in_ball<Eigen::Vector3d>(sizes[ErrorKind::registration_angle], generator);
  draw.lumen_scale = even_within(sizes[ErrorKind::lumen_scale], generator);
  draw.coil_gain = even_within(sizes[ErrorKind::coil_gain], generator);
  draw.magnet_strength = even_within(sizes[ErrorKind::magnet_strength], generator);
  return draw;
}

Eigen::Vector2d bend_per_insertion(const Design& design, const Eigen::MatrixXd& bend_per_pull) {
  constexpr double kRounding = 1e-12;
  if (!design.tendons() || design.tendons()->motors != Motors::stand) return Eigen::Vector2d::Zero();
  const Eigen::Vector2d per_mm = -bend_per_pull.rowwise().sum();
  return per_mm.norm() < kRounding ? Eigen::Vector2d(Eigen::Vector2d::Zero()) : per_mm;
}

Eigen::Vector2d bend_per_insertion(const Design& design) {
  if (!design.tendons() || design.tendons()->motors != Motors::stand) return Eigen::Vector2d::Zero();
  return bend_per_insertion(design, bend_from_pulls(design));
}

bool holds_by_friction(const Design& design) {
  return design.lock_count() > 0 && (!design.latch() || design.latch()->notch_pitch_mm <= 0.0);
}

double most_lock_bend(const Design& design, const ErrorSizes& sizes) {
  const double e = design.latch() ? sizes[ErrorKind::backlash] / design.latch()->backbone_radius_mm : 0.0;
  if (!holds_by_friction(design)) return e;
  const double bend = design.segment().curvature_max_per_mm * design.length_mm();
  const double gained = bend + design.carriage().insertion_max_mm * bend_per_insertion(design).norm();
  const double phi = design.tendons() ? sizes[ErrorKind::pull_gain] * gained +
                                            sizes[ErrorKind::pull_offset] * bend_per_offset(design)
                                      : 0.0;
  if (phi == 0.0 && e == 0.0) return 0.0;
  if (design.carriage().kind == CarriageKind::guide) return 2.0 * bend + e;
  return most_friction_engagements(design) * e + phi;
}

double bend_per_offset(const Design& design) {
  if (!design.tendons()) return 0.0;
  // |A o| is convex in o, so it is greatest at a corner of the box of offsets; o and -o are alike.
  const Eigen::MatrixXd A = bend_from_pulls(design);
  const Eigen::Index tendons = A.cols();
  constexpr Eigen::Index kMostCorners = 12;  // more tendons: the triangle inequality will do
  if (tendons > kMostCorners) return A.colwise().norm().sum();
  double most = 0.0;
  for (int corner = 0; corner < (1 << (tendons - 1)); ++corner) {
    Eigen::Vector2d sum = Eigen::Vector2d::Zero();
    for (Eigen::Index k = 0; k < tendons; ++k)
      sum += (corner >> k & 1) != 0 ? A.col(k) : Eigen::Vector2d(-A.col(k));
    most = std::max(most, sum.norm());
  }
  return most;
}

}  // namespace withy
