// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/phantom/tube_tree.h"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <optional>
#include <string>

#include <fmt/core.h>

namespace withy {
namespace {

using Eigen::Isometry3d;
using Eigen::Vector3d;

/// Lumen radius over bend radius. At 1 the inner wall folds onto one point; short of it triangles get needle
/// thin.
constexpr double kTightest = 0.95;

/// How closely radius times curvature is looked at along a tube.
constexpr double kLookEvery_mm = 0.25;

/// Points on an end's rim to see whether another tube covers it.
constexpr int kRimPoints = 64;

Isometry3d start_pose(const TubeRecipe& tube, const Isometry3d& X_SE,
                      const std::vector<TubeTree::Tube>& earlier) {
  if (tube.parent < 0) return X_SE;
  const Vector3d axis(-std::sin(tube.plane_rad), std::cos(tube.plane_rad), 0.0);
  return earlier[static_cast<std::size_t>(tube.parent)].path.pose(tube.at_mm) *
         Eigen::AngleAxisd(tube.turn_rad, axis);
}

TubePath path_of(const TubeRecipe& tube, const Isometry3d& start) {
  return tube.bends.empty() ? TubePath::through_points(start, tube.points)
                            : TubePath::from_bends(start, tube.bends);
}

/// A parent whose branches leave within its own radius of its far end has no far end of its own.
bool is_leaf(const ChannelRecipe& recipe, std::size_t tube, const TubePath& path) {
  const double last = path.length_mm() - recipe.tubes[tube].radius.at(path.length_mm());
  return std::none_of(recipe.tubes.begin(), recipe.tubes.end(), [&](const TubeRecipe& other) {
    return other.parent == static_cast<int>(tube) && other.at_mm >= last;
  });
}

std::optional<RecipeRefusal> too_tight(const TubeTree::Tube& tube, int index, const std::string& name) {
  const int steps = std::max(1, static_cast<int>(std::ceil(tube.path.length_mm() / kLookEvery_mm)));
  for (int i = 0; i <= steps; ++i) {
    const double s = tube.path.length_mm() * i / steps;
    const double kappa = tube.path.curvature(s);
    if (kappa * tube.radius.at(s) <= kTightest) continue;
    return RecipeRefusal{
        RecipeFault::bend_too_tight, index,
        fmt::format("tube '{}' bends at station {:.1f} mm with a radius of {:.2f} mm, too tight for a "
                    "lumen radius of {:.2f} mm",
                    name, s, 1.0 / kappa, tube.radius.at(s)),
        fmt::format("bend with at least {:.2f} mm or narrow the lumen", tube.radius.at(s) / kTightest)};
  }
  return std::nullopt;
}

}  // namespace

tl::expected<TubeTree, RecipeRefusal> TubeTree::make(const ChannelRecipe& recipe) {
  TubeTree tree;
  tree.blend_mm_ = recipe.tubes.size() > 1 ? recipe.blend_mm : 0.0;
  for (std::size_t i = 0; i < recipe.tubes.size(); ++i) {
    const TubeRecipe& given = recipe.tubes[i];
    const int index = static_cast<int>(i);
    if (given.parent >= 0) {
      const double parent_length = tree.tubes_[static_cast<std::size_t>(given.parent)].path.length_mm();
      if (given.at_mm > parent_length) {
        return tl::unexpected(RecipeRefusal{
            RecipeFault::branch_off_parent, index,
            fmt::format("tube '{}' leaves its parent at {:.2f} mm, which is past the parent's end",
                        given.name, given.at_mm),
            fmt::format("give an at_mm of at most {:.2f}", parent_length)});
      }
    }
    const TubePath path = path_of(given, start_pose(given, recipe.X_SE, tree.tubes_));
    tree.tubes_.push_back({path, given.radius, i == 0, is_leaf(recipe, i, path)});
    if (auto refusal = too_tight(tree.tubes_.back(), index, given.name)) return tl::unexpected(*refusal);
  }
  Isometry3d X_out = tree.tubes_.front().path.pose(0.0);
  X_out.linear() = X_out.linear() * Eigen::AngleAxisd(std::numbers::pi, Vector3d::UnitX()).toRotationMatrix();
  tree.ends_.push_back({0, true, X_out, tree.tubes_.front().radius.at(0.0)});
  for (std::size_t i = 0; i < tree.tubes_.size(); ++i) {
    const Tube& tube = tree.tubes_[i];
    const double length = tube.path.length_mm();
    if (tube.flat_far_end)
      tree.ends_.push_back({static_cast<int>(i), false, tube.path.pose(length), tube.radius.at(length)});
  }
  for (const FlatEnd& end : tree.ends_) {
    for (int k = 0; k < kRimPoints; ++k) {
      const double a = 2.0 * std::numbers::pi * k / kRimPoints;
      const Vector3d rim = end.X * Vector3d(end.radius_mm * std::cos(a), end.radius_mm * std::sin(a), 0.0);
      for (int other = 0; other < static_cast<int>(tree.tubes_.size()); ++other) {
        if (other == end.tube || tree.height_of_tube(other, rim) > tree.blend_mm_) continue;
        const std::string& name = recipe.tubes[static_cast<std::size_t>(end.tube)].name;
        return tl::unexpected(
            RecipeRefusal{RecipeFault::end_covered, end.tube,
                          fmt::format("the {} end of tube '{}' lies in or against tube '{}'",
                                      end.is_entry ? "entry" : "far", name,
                                      recipe.tubes[static_cast<std::size_t>(other)].name),
                          "make the tube longer, or lead it away from the other one"});
      }
    }
  }
  return tree;
}

double TubeTree::height_of_tube(int index, const Vector3d& p) const {
  const Tube& tube = tubes_[static_cast<std::size_t>(index)];
  const TubePath::Nearest near = tube.path.nearest(p);
  double height = near.distance_mm - tube.radius.at(near.station_mm);
  const double length = tube.path.length_mm();
  if (tube.flat_start && near.station_mm <= 0.0) {
    height = std::max(height, -(tube.path.pose(0.0).inverse() * p).z());
  }
  if (tube.flat_far_end && near.station_mm >= length) {
    height = std::max(height, (tube.path.pose(length).inverse() * p).z());
  }
  return height;
}

double TubeTree::height(const Vector3d& p) const {
  double joined = height_of_tube(0, p);
  for (int i = 1; i < static_cast<int>(tubes_.size()); ++i) {
    const double next = height_of_tube(i, p);
    const double h = blend_mm_ > 0.0 ? std::max(0.0, 1.0 - std::abs(joined - next) / blend_mm_) : 0.0;
    joined = std::min(joined, next) - h * h * blend_mm_ / 4.0;
  }
  return joined;
}

bool TubeTree::on_end(const FlatEnd& end, const Vector3d& p, double tolerance_mm) {
  const Vector3d q = end.X.inverse() * p;
  return std::abs(q.z()) <= tolerance_mm && q.head<2>().norm() <= end.radius_mm + tolerance_mm;
}

}  // namespace withy
