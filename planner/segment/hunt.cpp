// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/segment/hunt.h"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <optional>

#include "geometry/numbers/numbers.h"
#include "planner/segment/latch.h"
#include "planner/segment/tendons.h"

namespace withy {
namespace {

/// Turns are this many windows apart at most.
constexpr double kSpacingInWindows = std::numbers::sqrt2;

/// A chord may be this share of the window off the track that it stands for.
constexpr double kChordInWindows = 0.05;

/// Fewer corners to a turn than this make no turn of it.
constexpr int kFewestCorners = 12;

/// A radius that is a whole number of spacings but for rounding takes that number of turns.
constexpr double kWhole = 1e-9;

/// The direction a line runs along; nothing where a spiral can be walked and is needed.
std::optional<Eigen::Vector2d> line_direction(const LatchHardware& latch, const TendonHardware* tendons) {
  if (tendons != nullptr)
    if (const auto plane = TendonStatics(*tendons).plane()) return plane;
  if (lattice_kind(latch) != LatticeKind::lines) return std::nullopt;
  const double psi = latch.backbone_angle_rad.front();
  return Eigen::Vector2d(std::cos(psi), std::sin(psi));
}

HuntTrack along_line(double radius_mm, const Eigen::Vector2d& direction) {
  const Eigen::Vector2d end = radius_mm * direction;
  return {
      HuntShape::line, radius_mm, 1, 2, 0.0, {Eigen::Vector2d::Zero(), end, -end, Eigen::Vector2d::Zero()}};
}

HuntTrack along_spiral(double radius_mm, double window_mm) {
  constexpr double kTurn = 2.0 * std::numbers::pi;
  const int turns = static_cast<int>(hunt_turns(radius_mm, window_mm));
  const double pitch = radius_mm / (kTurn * turns);  // of the spiral, mm per rad
  const double bulge = std::hypot(radius_mm, 2.0 * pitch);
  const double step = std::sqrt(8.0 * kChordInWindows * window_mm / bulge);
  const int corners = std::max(kFewestCorners, static_cast<int>(std::ceil(kTurn / step)));
  HuntTrack track{HuntShape::spiral, radius_mm, turns + 1, corners, radius_mm / turns, {}};
  for (int i = 0; i <= corners * (turns + 1); ++i) {
    const double phi = kTurn * i / corners;
    const double r = i < corners * turns ? pitch * phi : radius_mm;
    track.slide_mm.emplace_back(r * std::cos(phi), r * std::sin(phi));
  }
  track.slide_mm.emplace_back(Eigen::Vector2d::Zero());
  return track;
}

}  // namespace

std::string_view name_of(HuntShape shape) {
  switch (shape) {
    case HuntShape::none:
      return "none";
    case HuntShape::line:
      return "line";
    case HuntShape::spiral:
      return "spiral";
  }
  return "";
}

double hunt_turns(double radius_mm, double window_mm) {
  if (!(window_mm > 0.0)) return kInfinity;
  return std::max(1.0, std::ceil(radius_mm / (kSpacingInWindows * window_mm) - kWhole));
}

HuntTrack hunt_track(const LatchHardware& latch, const TendonHardware* tendons) {
  if (latch.hunt_mm <= 0.0 || lattice_kind(latch) == LatticeKind::everything) return {};
  if (const auto direction = line_direction(latch, tendons)) return along_line(latch.hunt_mm, *direction);
  return along_spiral(latch.hunt_mm, latch.engage_window_mm);
}

}  // namespace withy
