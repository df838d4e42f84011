// SPDX-License-Identifier: GPL-3.0-or-later
// Triangles packed so that the nearest one to eight points at once is found fast, with a bounded error.
//
// Triangles that lie together are packed by eights; each packet has a box, and a disc that holds it, thin
// where the wall is smooth; a binary tree of boxes stands over the packets. Distances from a small cell of
// points are found in three steps, each of which only drops triangles that can't be nearest to any point of
// the cell: `collect` walks the tree, `narrow` goes through a list that a larger cell left, `nearest`
// measures what is left, eight points side by side.
//
// Arithmetic is single precision. With x the largest coordinate or distance that takes part (mm), a returned
// distance differs from the true one by at most kDistanceRounding * x: vertex and point are rounded to 2^-24
// of a coordinate each, in three axes (2 sqrt(3) ulp/2), the in-plane and normal parts lose at most 8 more
// roundings of the vector from vertex to point; 16 ulp/2 is more than their sum. Triangles lower than
// kSliverHeight * x carry no normal and are measured as their three edges, off by no more than their height.
#pragma once

#include <array>
#include <cstdint>
#include <vector>

#include <Eigen/Core>

#include "geometry/distance/face_packets_kernel.h"
#include "geometry/mesh/mesh.h"

namespace withy {

inline constexpr double kDistanceRounding = 1e-6;  // 16 * 2^-24
inline constexpr double kSliverHeight = 1e-7;

/// An axis-aligned box: lower x, y, z, upper x, y, z.
using FloatBox = std::array<float, 6>;

/// A flat cylinder: centre x, y, z, unit normal x, y, z, radius, half thickness.
using Disc = std::array<float, 8>;

/// Discs and names of packets, side by side for vector loads. Kept by the caller from one call to the next,
/// so that a fill allocates nothing once the lists have grown.
class PacketList {
 public:
  std::size_t size() const { return size_; }
  void clear() { size_ = 0; }
  void add(const Disc& disc, std::uint32_t packet);
  /// Becomes entries `which[0 .. count)` of `list`.
  void take(const PacketList& list, const std::uint32_t* which, std::size_t count);
  DiscArrays discs() const;
  const std::uint32_t* packets() const { return packet_.data(); }

 private:
  void make_room(std::size_t size);

  std::size_t size_ = 0;
  std::array<std::vector<float>, 8> part_;  // longer than size_ by kLanes at least
  std::vector<std::uint32_t> packet_;
};

class FacePackets {
 public:
  FacePackets() = default;
  /// Packs `faces` (indices into mesh.triangles) of a mesh. Uses all cores.
  FacePackets(const TriangleMesh& mesh, const std::vector<int>& faces);

  bool empty() const { return triangles_.empty(); }

  /// False only if no face is within `reach_mm` of p: a look at the box round them all.
  bool may_be_within(const Eigen::Vector3d& p, double reach_mm) const;

  /// Error bound of every distance, for points whose coordinates are at most `reach_mm`.
  float rounding_mm(float reach_mm) const;

  /// Lowers group.distance to the nearest of all faces, where that is nearer.
  void nearest_of_all(PointGroup& group) const;

  /// Lowers group.distance to one face, where that is nearer: a good guess first spares much work. No slot,
  /// no effect.
  void measure(std::int32_t slot, PointGroup& group) const;

  /// Lowers group.distance to the nearest face of `list`, where that is nearer.
  void nearest(const PacketList& list, PointGroup& group) const;

  /// Packets whose box is within `reach_mm` of `box`.
  void collect(const FloatBox& box, float reach_mm, PacketList& found) const;

  /// Those of `list` whose disc is within `reach_mm` of `centre`. `scratch` is working room.
  static void narrow(const PacketList& list, const std::array<float, 3>& centre, float reach_mm,
                     PacketList& found, std::vector<std::uint32_t>& scratch);

  /// The mesh's face (index into mesh.triangles) in a slot.
  int face(std::int32_t slot) const { return face_[static_cast<std::size_t>(slot)]; }

  std::size_t bytes() const;

 private:
  struct Node {
    FloatBox box;
    std::uint32_t first, last;  // packets [first, last)
    std::uint32_t right;        // index of the second child; the first stands next to its parent
  };
  struct Item {
    std::array<float, 3> centre;
    int face;
  };

  void pack(const TriangleMesh& mesh, const std::vector<Item>& items);
  std::uint32_t build_nodes(std::uint32_t first, std::uint32_t last);

  std::vector<FlatTriangle> triangles_;
  std::vector<int> face_;
  std::vector<FloatBox> box_;  // one for each packet
  std::vector<Disc> disc_;
  std::vector<Node> nodes_;
  float reach_ = 0.0F;
};

/// Squared distance from p to a triangle in double precision (C. Ericson, "Real-Time Collision Detection",
/// 2005, section 5.1.5).
double squared_distance_to_triangle(const Eigen::Vector3d& p, const Eigen::Vector3d& a,
                                    const Eigen::Vector3d& b, const Eigen::Vector3d& c);

}  // namespace withy
