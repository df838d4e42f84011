// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/distance/face_packets.h"

#include <algorithm>
#include <cassert>
#include <cmath>
#include <limits>

#include <Eigen/Geometry>
#include <tbb/parallel_for.h>
#include <tbb/parallel_invoke.h>

#include "geometry/distance/lanes.h"

namespace withy {
namespace {

constexpr std::size_t kPacket = kLanes;

/// Below this many triangles a thread of its own costs more than it saves.
constexpr std::size_t kWorthAThread = 1U << 14U;

/// Packets on a leaf of the tree: testing so few boxes is cheaper than another level of branching.
constexpr std::uint32_t kLeafPackets = 2;

const FacePacketsKernel& kernel() {
#if defined(__x86_64__)
  static const FacePacketsKernel& chosen = cpu_has_avx2() ? kFacePacketsAvx2 : kFacePacketsPortable;
  return chosen;
#else
  return kFacePacketsPortable;
#endif
}

constexpr FloatBox empty_box() {
  constexpr float infinity = std::numeric_limits<float>::infinity();
  return {infinity, infinity, infinity, -infinity, -infinity, -infinity};
}

void enlarge(FloatBox& box, const FloatBox& by) {
  for (std::size_t k = 0; k < 3; ++k) {
    box[k] = std::min(box[k], by[k]);
    box[k + 3] = std::max(box[k + 3], by[k + 3]);
  }
}

float squared_gap(const FloatBox& a, const FloatBox& b) {
  float sum = 0.0F;
  for (std::size_t k = 0; k < 3; ++k) {
    const float gap = std::max({a[k] - b[k + 3], b[k] - a[k + 3], 0.0F});
    sum += gap * gap;
  }
  return sum;
}

FloatBox box_of(const PointGroup& group) {
  const auto [x0, x1] = std::minmax_element(std::begin(group.x), std::end(group.x));
  const auto [y0, y1] = std::minmax_element(std::begin(group.y), std::end(group.y));
  const auto [z0, z1] = std::minmax_element(std::begin(group.z), std::end(group.z));
  return {*x0, *y0, *z0, *x1, *y1, *z1};
}

/// Sorts so that each run of eight lies together: halves by the longest extent, on whole packets.
template <class Iterator>
void sort_into_packets(Iterator first, Iterator last) {
  const auto n = static_cast<std::size_t>(last - first);
  if (n <= kPacket) return;
  FloatBox extent = empty_box();
  for (Iterator i = first; i != last; ++i) {
    const auto& c = i->centre;
    enlarge(extent, {c[0], c[1], c[2], c[0], c[1], c[2]});
  }
  std::size_t axis = 0;
  for (std::size_t k = 1; k < 3; ++k)
    if (extent[k + 3] - extent[k] > extent[axis + 3] - extent[axis]) axis = k;
  const std::size_t packets = (n + kPacket - 1) / kPacket;
  const std::size_t half = (packets + 1) / 2 * kPacket;
  const Iterator middle = first + static_cast<std::ptrdiff_t>(half);
  std::nth_element(first, middle, last, [axis](const auto& a, const auto& b) {
    return a.centre[axis] != b.centre[axis] ? a.centre[axis] < b.centre[axis] : a.face < b.face;
  });
  if (n > kWorthAThread) {
    tbb::parallel_invoke([&] { sort_into_packets(first, middle); }, [&] { sort_into_packets(middle, last); });
  } else {
    sort_into_packets(first, middle);
    sort_into_packets(middle, last);
  }
}

using Corners = std::array<Eigen::Vector3d, 3>;

Corners corners_of(const TriangleMesh& mesh, int face) {
  const auto& t = mesh.triangles[static_cast<std::size_t>(face)];
  const auto vertex = [&](std::size_t k) { return mesh.vertices[static_cast<std::size_t>(t[k])]; };
  return {vertex(0), vertex(1), vertex(2)};
}

/// Twice the area along the normal.
Eigen::Vector3d area_of(const Corners& v) {
  return (v[1] - v[0]).cross(v[2] - v[0]);
}

double longest_edge(const Corners& v) {
  return std::max({(v[1] - v[0]).norm(), (v[2] - v[1]).norm(), (v[0] - v[2]).norm()});
}

/// Middle of the least circle round a triangle: its circumcentre, or the middle of its longest edge where the
/// angle opposite is not acute.
Eigen::Vector3d circle_centre(const Corners& v) {
  for (std::size_t k = 0; k < 3; ++k) {
    const Eigen::Vector3d& b = v[(k + 1) % 3];
    const Eigen::Vector3d& c = v[(k + 2) % 3];
    if ((b - v[k]).dot(c - v[k]) <= 0.0) return 0.5 * (b + c);
  }
  const Eigen::Vector3d ab = v[1] - v[0];
  const Eigen::Vector3d ac = v[2] - v[0];
  const Eigen::Vector3d n = ab.cross(ac);
  return v[0] + (ac.squaredNorm() * n.cross(ab) + ab.squaredNorm() * ac.cross(n)) / (2.0 * n.squaredNorm());
}

FlatTriangle flatten(const Corners& v, double reach) {
  FlatTriangle t;
  const Eigen::Vector3d area = area_of(v);
  const bool sliver = area.norm() <= kSliverHeight * reach * longest_edge(v);
  const Eigen::Vector3d normal = sliver ? Eigen::Vector3d::Constant(std::numeric_limits<double>::quiet_NaN())
                                        : Eigen::Vector3d(area.normalized());
  const Eigen::Vector3d centre = circle_centre(v);
  double radius = 0.0;
  for (const Eigen::Vector3d& corner : v) radius = std::max(radius, (corner - centre).norm());
  for (int k = 0; k < 3; ++k) {
    t.a[k] = static_cast<float>(v[0][k]);
    t.b[k] = static_cast<float>(v[1][k]);
    t.c[k] = static_cast<float>(v[2][k]);
    t.normal[k] = static_cast<float>(normal[k]);
    t.centre[k] = static_cast<float>(centre[k]);
  }
  t.radius = static_cast<float>(radius + kDistanceRounding * reach);
  return t;
}

/// A disc that holds some triangles: its normal is the mean of theirs.
Disc disc_round(const std::vector<Corners>& triangles, double slack) {
  Eigen::Vector3d normal = Eigen::Vector3d::Zero();
  for (const Corners& v : triangles) normal += area_of(v);
  normal = normal.norm() > 0.0 ? Eigen::Vector3d(normal.normalized()) : Eigen::Vector3d::UnitZ();
  const Eigen::Vector3d across = normal.unitOrthogonal();
  Eigen::Matrix3d axes;
  axes << across, normal.cross(across), normal;
  Eigen::AlignedBox3d box;  // in those axes
  for (const Corners& v : triangles)
    for (const Eigen::Vector3d& corner : v) box.extend(axes.transpose() * corner);
  const Eigen::Vector3d middle = box.center();
  double radius = 0.0;
  for (const Corners& v : triangles)
    for (const Eigen::Vector3d& corner : v)
      radius = std::max(radius, (axes.transpose() * corner - middle).head<2>().norm());
  const Eigen::Vector3d centre = axes * middle;
  Disc disc;
  for (std::size_t k = 0; k < 3; ++k) {
    disc[k] = static_cast<float>(centre[static_cast<Eigen::Index>(k)]);
    disc[k + 3] = static_cast<float>(normal[static_cast<Eigen::Index>(k)]);
  }
  disc[6] = static_cast<float>(radius + slack);
  disc[7] = static_cast<float>(0.5 * box.sizes().z() + slack);
  return disc;
}

}  // namespace

void PacketList::make_room(std::size_t size) {
  if (size + kPacket <= packet_.size()) return;
  const std::size_t room = std::max<std::size_t>(64, 2 * (size + kPacket));
  for (auto& part : part_) part.resize(room);
  packet_.resize(room);
}

void PacketList::add(const Disc& disc, std::uint32_t packet) {
  make_room(size_ + 1);
  for (std::size_t k = 0; k < disc.size(); ++k) part_[k][size_] = disc[k];
  packet_[size_++] = packet;
}

void PacketList::take(const PacketList& list, const std::uint32_t* which, std::size_t count) {
  make_room(count);
  size_ = count;
  for (std::size_t k = 0; k < part_.size(); ++k) {
    const float* from = list.part_[k].data();
    float* to = part_[k].data();
    for (std::size_t i = 0; i < count; ++i) to[i] = from[which[i]];
  }
  for (std::size_t i = 0; i < count; ++i) packet_[i] = list.packet_[which[i]];
}

DiscArrays PacketList::discs() const {
  DiscArrays arrays;
  for (std::size_t k = 0; k < part_.size(); ++k) arrays.part[k] = part_[k].data();
  arrays.count = size_;
  return arrays;
}

FacePackets::FacePackets(const TriangleMesh& mesh, const std::vector<int>& faces) {
  std::vector<Item> items(faces.size());
  tbb::parallel_for(std::size_t{0}, faces.size(), [&](std::size_t i) {
    const auto& t = mesh.triangles[static_cast<std::size_t>(faces[i])];
    Eigen::Vector3d centre = Eigen::Vector3d::Zero();
    for (const int v : t) centre += mesh.vertices[static_cast<std::size_t>(v)] / 3.0;
    items[i] = {
        {static_cast<float>(centre.x()), static_cast<float>(centre.y()), static_cast<float>(centre.z())},
        faces[i]};
  });
  for (const Eigen::Vector3d& v : mesh.vertices)
    reach_ = std::max(reach_, static_cast<float>(v.cwiseAbs().maxCoeff()));
  sort_into_packets(items.begin(), items.end());
  pack(mesh, items);
  if (!box_.empty()) {
    nodes_.reserve(2 * box_.size());
    build_nodes(0, static_cast<std::uint32_t>(box_.size()));
  }
}

void FacePackets::pack(const TriangleMesh& mesh, const std::vector<Item>& items) {
  triangles_.resize(items.size());
  face_.resize(items.size());
  box_.resize((items.size() + kPacket - 1) / kPacket);
  disc_.resize(box_.size());
  const double slack = kDistanceRounding * static_cast<double>(reach_);
  tbb::parallel_for(std::size_t{0}, box_.size(), [&](std::size_t p) {
    Eigen::AlignedBox3d box;
    thread_local std::vector<Corners> packet;
    packet.clear();
    for (std::size_t i = p * kPacket; i < std::min((p + 1) * kPacket, items.size()); ++i) {
      packet.push_back(corners_of(mesh, items[i].face));
      triangles_[i] = flatten(packet.back(), static_cast<double>(reach_));
      face_[i] = items[i].face;
      for (const Eigen::Vector3d& corner : packet.back()) box.extend(corner);
    }
    disc_[p] = disc_round(packet, slack);
    for (std::size_t k = 0; k < 3; ++k) {
      const auto axis = static_cast<Eigen::Index>(k);
      box_[p][k] = static_cast<float>(box.min()[axis] - slack);
      box_[p][k + 3] = static_cast<float>(box.max()[axis] + slack);
    }
  });
}

std::uint32_t FacePackets::build_nodes(std::uint32_t first, std::uint32_t last) {
  const auto index = static_cast<std::uint32_t>(nodes_.size());
  Node node{empty_box(), first, last, 0};
  for (std::uint32_t p = first; p < last; ++p) enlarge(node.box, box_[p]);
  nodes_.push_back(node);
  if (last - first > kLeafPackets) {
    // Halves as sort_into_packets cut them, so that boxes are tight.
    const std::uint32_t middle = first + (last - first + 1) / 2;
    build_nodes(first, middle);
    nodes_[index].right = build_nodes(middle, last);
  }
  return index;
}

bool FacePackets::may_be_within(const Eigen::Vector3d& p, double reach_mm) const {
  if (nodes_.empty()) return false;
  const FloatBox& box = nodes_.front().box;
  double square = 0.0;
  for (std::size_t k = 0; k < 3; ++k) {
    const double x = p[static_cast<Eigen::Index>(k)];
    const double gap = std::max({static_cast<double>(box[k]) - x, x - static_cast<double>(box[k + 3]), 0.0});
    square += gap * gap;
  }
  return square <= reach_mm * reach_mm;
}

float FacePackets::rounding_mm(float reach_mm) const {
  return static_cast<float>(kDistanceRounding) * std::max(reach_, reach_mm);
}

void FacePackets::nearest_of_all(PointGroup& group) const {
  if (nodes_.empty()) return;
  const FloatBox points = box_of(group);
  const auto farthest = [&] {
    return *std::max_element(std::begin(group.distance), std::end(group.distance));
  };
  std::array<std::uint32_t, 64> stack;
  std::size_t depth = 0;
  stack[depth++] = 0;
  thread_local PacketList leaf;
  while (depth > 0) {
    const std::uint32_t index = stack[--depth];
    const Node& node = nodes_[index];
    const float reach = farthest();
    if (squared_gap(points, node.box) > reach * reach) continue;
    if (node.right == 0) {
      leaf.clear();
      for (std::uint32_t p = node.first; p < node.last; ++p) leaf.add(disc_[p], p);
      nearest(leaf, group);
      continue;
    }
    // The nearer child is looked at first: it is pushed last.
    std::uint32_t near = index + 1;
    std::uint32_t far = node.right;
    if (squared_gap(points, nodes_[far].box) < squared_gap(points, nodes_[near].box)) std::swap(near, far);
    assert(depth + 2 <= stack.size());
    stack[depth++] = far;
    stack[depth++] = near;
  }
}

void FacePackets::measure(std::int32_t slot, PointGroup& group) const {
  if (slot >= 0) kernel().measure(triangles_.data(), slot, group);
}

void FacePackets::nearest(const PacketList& list, PointGroup& group) const {
  kernel().nearest(triangles_.data(), triangles_.size(), list.packets(), list.discs(), group);
}

void FacePackets::collect(const FloatBox& box, float reach_mm, PacketList& found) const {
  found.clear();
  if (nodes_.empty()) return;
  const float reach2 = reach_mm * reach_mm;
  std::array<std::uint32_t, 64> stack;
  std::size_t depth = 0;
  stack[depth++] = 0;
  while (depth > 0) {
    const std::uint32_t index = stack[--depth];
    const Node& node = nodes_[index];
    if (squared_gap(box, node.box) > reach2) continue;
    if (node.right == 0) {
      for (std::uint32_t p = node.first; p < node.last; ++p)
        if (squared_gap(box, box_[p]) <= reach2) found.add(disc_[p], p);
      continue;
    }
    assert(depth + 2 <= stack.size());
    stack[depth++] = node.right;
    stack[depth++] = index + 1;
  }
}

void FacePackets::narrow(const PacketList& list, const std::array<float, 3>& centre, float reach_mm,
                         PacketList& found, std::vector<std::uint32_t>& scratch) {
  if (scratch.size() < list.size()) scratch.resize(list.size());
  const std::size_t count = kernel().narrow(list.discs(), centre.data(), reach_mm, scratch.data());
  found.take(list, scratch.data(), count);
}

std::size_t FacePackets::bytes() const {
  return triangles_.size() * (sizeof(FlatTriangle) + sizeof(int)) +
         box_.size() * (sizeof(FloatBox) + sizeof(Disc)) + nodes_.size() * sizeof(Node);
}

double squared_distance_to_triangle(const Eigen::Vector3d& p, const Eigen::Vector3d& a,
                                    const Eigen::Vector3d& b, const Eigen::Vector3d& c) {
  const Eigen::Vector3d ab = b - a;
  const Eigen::Vector3d ac = c - a;
  const Eigen::Vector3d ap = p - a;
  const double d1 = ab.dot(ap);
  const double d2 = ac.dot(ap);
  if (d1 <= 0.0 && d2 <= 0.0) return ap.squaredNorm();
  const Eigen::Vector3d bp = p - b;
  const double d3 = ab.dot(bp);
  const double d4 = ac.dot(bp);
  if (d3 >= 0.0 && d4 <= d3) return bp.squaredNorm();
  const double vc = d1 * d4 - d3 * d2;
  if (vc <= 0.0 && d1 >= 0.0 && d3 <= 0.0) return (ap - d1 / (d1 - d3) * ab).squaredNorm();
  const Eigen::Vector3d cp = p - c;
  const double d5 = ab.dot(cp);
  const double d6 = ac.dot(cp);
  if (d6 >= 0.0 && d5 <= d6) return cp.squaredNorm();
  const double vb = d5 * d2 - d1 * d6;
  if (vb <= 0.0 && d2 >= 0.0 && d6 <= 0.0) return (ap - d2 / (d2 - d6) * ac).squaredNorm();
  const double va = d3 * d6 - d5 * d4;
  if (va <= 0.0 && d4 >= d3 && d5 >= d6)
    return (bp - (d4 - d3) / ((d4 - d3) + (d5 - d6)) * (c - b)).squaredNorm();
  const double scale = 1.0 / (va + vb + vc);
  return (ap - vb * scale * ab - vc * scale * ac).squaredNorm();
}

}  // namespace withy
