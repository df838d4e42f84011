// SPDX-License-Identifier: GPL-3.0-or-later
// Exact distance to the channel wall: the reference that every faster path is measured against.
//
// D(p) is positive inside the lumen, negative outside it; its size is the distance to the nearest wall face.
// The sign is that of the closed solid (caps included), the distance that to wall faces only (openings
// excluded), so D jumps across an opening: D is 1-Lipschitz along any line that meets no opening, |D| along
// every line. Past the entry plane the openings to heed are the passages (geometry/channel/passage.h).
// Closest points: FaceTree, in double precision; sign: CGAL's Side_of_triangle_mesh, with exact predicates.
//
// On the entry plane. An opening that is meant to lie in the plane z = 0 lies there only as well as the
// mesh's numbers do (single precision in STL), so the solid's own sign at z = 0 would be a matter of luck.
// Where the opening lies within kEntryPlaneContact_mm of the plane, a point that is within
// kEntryPlaneContact_mm of it as well, and within the opening radius of the axis, has the sign of the point
// at z = 2 kEntryPlaneContact_mm above or below it. The size of D is always that at the point itself.
// Everywhere else the sign is the solid's own.
#pragma once

#include <memory>

#include <Eigen/Core>
#include <tl/expected.hpp>

#include "geometry/channel/channel.h"

namespace withy {

/// Safe to query from several threads at once: all trees are built by the constructor. All points in the
/// entry frame E, mm, finite.
class WallDistance {
 public:
  /// The channel has at least one wall face and is closed, as make_channel leaves it.
  explicit WallDistance(std::shared_ptr<const Channel> channel);
  ~WallDistance();
  WallDistance(WallDistance&&) noexcept;
  WallDistance& operator=(WallDistance&&) noexcept;

  struct Nearest {
    Eigen::Vector3d point_E;
    double distance_mm = 0.0;
    int face = -1;  ///< index into channel().mesh_E.triangles
  };

  /// Nearest point of the wall. The channel has at least one wall face, so there always is one.
  Nearest nearest(const Eigen::Vector3d& p_E) const;

  /// Unsigned distance to the wall.
  double distance(const Eigen::Vector3d& p_E) const { return nearest(p_E).distance_mm; }

  /// Inside the closed solid? A point on its surface counts as inside. On the entry plane: as said above.
  bool inside(const Eigen::Vector3d& p_E) const;

  /// D(p).
  double signed_distance(const Eigen::Vector3d& p_E) const {
    const double d = distance(p_E);
    return inside(p_E) ? d : -d;
  }

  /// Distance to the nearest open outlet's cap; infinite when there is none.
  double outlet_distance(const Eigen::Vector3d& p_E) const;

  bool has_open_outlet() const;

  /// Distance to the nearest passage (geometry/channel/passage.h); infinite when there is none.
  double passage_distance(const Eigen::Vector3d& p_E) const;

  bool has_passages() const;
  const Channel& channel() const;
  std::shared_ptr<const Channel> channel_pointer() const;

 private:
  struct Impl;
  std::unique_ptr<Impl> impl_;
};

/// make_channel's channel with its exact distances. The search tree that the last check takes is the one that
/// is handed out: a scene needs no other.
tl::expected<std::shared_ptr<const WallDistance>, MeshRefusal> make_wall(const TriangleMesh& mesh_S,
                                                                         const Entry& entry, Outlets outlets);

}  // namespace withy
