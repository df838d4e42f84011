// SPDX-License-Identifier: GPL-3.0-or-later
#include "tools/bench/consistency/channels.h"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <optional>

namespace withy::consistency {
namespace {

constexpr double kPi = std::numbers::pi;

/// A bend of the trunk is at most so tight: lumen radius over bend radius.
constexpr double kTightest = 0.7;

constexpr double kWidestFine_mm = 2.0;

Eigen::Vector2d direction(double angle) {
  return {std::cos(angle), std::sin(angle)};
}

/// One to three pieces of arc, in one plane as often as not. What lies beyond `straight_from` is straight.
std::vector<TubePath::Bend> trunk_bends(Chance& chance, double length, double widest, bool straight_end) {
  const int pieces = chance.whole(1, 3);
  const double plane = chance.uniform(-kPi, kPi);
  const bool planar = chance.one_in(0.5);
  std::vector<TubePath::Bend> bends;
  for (int i = 0; i < pieces; ++i) {
    TubePath::Bend bend;
    bend.length_mm = length / pieces;
    const bool straight = (straight_end && i + 1 == pieces) || chance.one_in(0.25);
    const double turn = chance.uniform(0.2, 1.4) * (chance.one_in(0.5) ? 1.0 : -1.0);
    const double most = kTightest / widest * bend.length_mm;
    const double angle = planar ? plane : chance.uniform(-kPi, kPi);
    if (!straight) bend.u = std::clamp(turn, -most, most) / bend.length_mm * direction(angle);
    bends.push_back(bend);
  }
  return bends;
}

void set_radius(Chance& chance, ChannelKind kind, double length, double radius, RadiusProfile& profile) {
  using Knots = std::vector<RadiusProfile::Knot>;
  const double ramp = chance.uniform(0.3, 1.0) * radius;
  const double at = chance.uniform(0.3, 0.6) * length;
  if (kind == ChannelKind::chamber) {
    const double wide = radius * chance.uniform(1.4, 2.6);
    profile.knots = Knots{{0.0, radius}, {at, radius}, {at + ramp, wide}};
  } else if (kind == ChannelKind::ring) {
    const double wide = radius * chance.uniform(1.2, 2.2);
    const double thick = chance.uniform(0.2, 1.0) * radius;
    profile.knots = Knots{{0.0, wide},
                          {at, wide},
                          {at + ramp, radius},
                          {at + ramp + thick, radius},
                          {at + 2.0 * ramp + thick, wide}};
  } else {
    profile.knots = Knots{{0.0, radius}};
  }
}

TubeRecipe random_branch(Chance& chance, double trunk_length, double radius) {
  TubeRecipe branch;
  branch.name = "branch";
  branch.parent = 0;
  branch.at_mm = chance.uniform(0.3, 0.75) * trunk_length;
  branch.turn_rad = chance.uniform(0.4, 1.2);
  branch.plane_rad = chance.uniform(-kPi, kPi);
  branch.bends = {{chance.uniform(0.3, 0.7) * trunk_length, Eigen::Vector2d::Zero()}};
  branch.radius.knots = {{0.0, radius * chance.uniform(0.75, 1.0)}};
  return branch;
}

std::optional<RandomChannel> try_channel(Chance& chance) {
  RandomChannel made;
  made.body_radius_mm = chance.scaled(0.2, 2.0);
  made.body_length_mm = made.body_radius_mm * chance.uniform(14.0, 32.0);
  made.required_clearance_mm = made.body_radius_mm * chance.uniform(0.02, 0.2);
  made.kind = static_cast<ChannelKind>(chance.whole(0, 3));
  // Narrow as a rule; in wide lumens coarse cells lie across outlets and rims.
  const double room = chance.one_in(0.3) ? chance.uniform(1.0, 3.0) : chance.scaled(0.12, 1.8);
  const double radius = made.body_radius_mm * (1.0 + room) + made.required_clearance_mm;
  const double length = made.body_length_mm * chance.uniform(0.4, 1.1);

  ChannelRecipe recipe;
  recipe.entry_end = chance.one_in(0.5) ? TubeEnd::open : TubeEnd::capped;
  recipe.far_ends = chance.one_in(0.65) ? TubeEnd::open : TubeEnd::capped;
  TubeRecipe trunk;
  trunk.name = "trunk";
  set_radius(chance, made.kind, length, radius, trunk.radius);
  trunk.bends = trunk_bends(chance, length, trunk.radius.largest(), made.kind == ChannelKind::chamber);
  recipe.tubes.push_back(trunk);
  if (made.kind == ChannelKind::branch) recipe.tubes.push_back(random_branch(chance, length, radius));
  made.rim = static_cast<Rim>(chance.whole(0, 2));
  recipe.edge_length_mm = (made.kind == ChannelKind::branch ? 0.7 : 0.8) * radius;
  // Small faces at the rim make small faces everywhere: only where the lumen is small too.
  if (made.rim == Rim::fine && radius < kWidestFine_mm)
    recipe.edge_length_mm = std::min(recipe.edge_length_mm, 0.8);
  recipe.blend_mm = recipe.edge_length_mm;

  const auto tree = TubeTree::make(recipe);
  auto mesh = make_channel_mesh(recipe);
  if (!tree || !mesh) return std::nullopt;
  made.mesh_S = std::move(mesh->mesh_S);
  made.tubes = tree->tubes();
  made.open_far_ends = recipe.far_ends == TubeEnd::open;
  made.outlets = chance.one_in(0.75) && made.open_far_ends ? Outlets::open : Outlets::closed;
  const double rim = trunk.radius.at(0.0);
  const double behind = made.rim == Rim::flat ? 0.0 : chance.uniform(0.02, 0.45);
  made.entry.X_SE.translation().z() = behind;
  made.entry.opening_radius_mm = std::hypot(rim, behind) + (made.rim == Rim::fine ? 0.5 : 0.05);
  return made;
}

}  // namespace

double Chance::scaled(double low, double high) {
  return low * std::exp(uniform(0.0, std::log(high / low)));
}

Eigen::Isometry3d Chance::pose(double farthest_mm) {
  Eigen::Quaterniond q(1.0, 0.0, 0.0, 0.0);
  do {  // uniform in the ball of four dimensions, then on its surface
    q.coeffs() = Eigen::Vector4d(uniform(-1, 1), uniform(-1, 1), uniform(-1, 1), uniform(-1, 1));
  } while (q.norm() > 1.0 || q.norm() < 0.1);
  Eigen::Isometry3d X(q.normalized());
  for (int k = 0; k < 3; ++k) X.translation()[k] = uniform(-farthest_mm, farthest_mm);
  return X;
}

RandomChannel random_channel(Chance& chance) {
  for (;;)
    if (auto made = try_channel(chance)) return std::move(*made);
}

const char* name_of(ChannelKind kind) {
  constexpr const char* kNames[] = {"tube", "chamber", "ring", "branch"};
  return kNames[static_cast<int>(kind)];
}

const char* name_of(Rim rim) {
  constexpr const char* kNames[] = {"at the entry plane", "behind it", "with faces of it past the plane"};
  return kNames[static_cast<int>(rim)];
}

}  // namespace withy::consistency
