// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/distance/distance_field_fill.h"

#include <algorithm>
#include <cassert>
#include <chrono>
#include <cmath>

#include <Eigen/Geometry>
#include <tbb/parallel_for.h>

#include "geometry/channel/passage.h"
#include "geometry/distance/field_measure.h"
#include "geometry/numbers/numbers.h"

namespace withy {
namespace {

using Block = std::array<int, 3>;

constexpr std::array<Block, 6> kDirection = {
    {{-1, 0, 0}, {1, 0, 0}, {0, -1, 0}, {0, 1, 0}, {0, 0, -1}, {0, 0, 1}}};

/// A component without a node this many spacings off the wall gets no question: all its nodes stay unproved.
constexpr double kWorthAsking = 0.5;

/// Lengths of a cell's diagonals by which axes they run along, in spacings.
constexpr std::array<double, 8> kDiagonal = {0.0, 1.0, 1.0, 1.4142136, 1.0, 1.4142136, 1.4142136, 1.7320509};

/// A block's nodes, x fastest, as quads (geometry/distance/distance_field_view.h).
void write_quads(const std::array<std::int16_t, kBlockNodes>& value, std::int16_t* quads) {
  for (std::size_t y = 0; y < kBlockCells; ++y)
    for (std::size_t x = 0; x < kBlockCells; ++x)
      for (std::size_t z = 0; z < kBlockEdge; ++z) {
        const std::size_t node = (z * kBlockEdge + y) * kBlockEdge + x;
        *quads++ = value[node];
        *quads++ = value[node + 1];
        *quads++ = value[node + kBlockEdge];
        *quads++ = value[node + kBlockEdge + 1];
      }
}

Block moved(const Block& at, const Block& by) {
  return {at[0] + by[0], at[1] + by[1], at[2] + by[2]};
}

/// Does the plane of a triangle pass within `slack` of a box (centre, half edge)?
bool plane_meets_box(const Eigen::Vector3d& normal, double offset, const Eigen::Vector3d& centre, double half,
                     double slack) {
  return std::abs(normal.dot(centre) - offset) <= half * normal.lpNorm<1>() + slack;
}

std::vector<int> faces_where(const Channel& channel, bool wall) {
  std::vector<int> faces;
  for (std::size_t f = 0; f < channel.role.size(); ++f)
    if (wall ? channel.role[f] == FaceRole::wall : is_passage(channel, f))
      faces.push_back(static_cast<int>(f));
  return faces;
}

}  // namespace

FieldFill::FieldFill(std::shared_ptr<const WallDistance> wall, double spacing_mm, double band_mm)
    : wall_(std::move(wall)),
      spacing_(static_cast<double>(static_cast<float>(spacing_mm))),
      band_(band_mm),
      field_(new DistanceField) {
  assert(spacing_mm > 0.0 && band_mm > 0.0);
}

std::shared_ptr<const DistanceField> FieldFill::run() {
  const auto begin = std::chrono::steady_clock::now();
  const Channel& channel = wall_->channel();
  faces_ = FacePackets(channel.mesh_E, faces_where(channel, true));
  passages_ = FacePackets(channel.mesh_E, faces_where(channel, false));
  lay_grid();
  mark_touched();
  settle_untouched();
  keep_blocks();
  measure_blocks();
  spread_known_sides();
  ask_remaining_sides();
  assemble();
  field_->passages_ = std::move(passages_);
  field_->wall_ = wall_;
  field_->band_mm_ = band_;
  field_->fill_seconds_ = std::chrono::duration<double>(std::chrono::steady_clock::now() - begin).count();
  return field_;
}

/// The grid covers the channel's part past the entry plane, with a rim of blocks round it that nothing
/// touches.
void FieldFill::lay_grid() {
  Eigen::AlignedBox3d bounds;
  for (const Eigen::Vector3d& v : wall_->channel().mesh_E.vertices) bounds.extend(v);
  const double edge = kBlockCells * spacing_;
  for (std::size_t k = 0; k < 3; ++k) {
    const auto axis = static_cast<Eigen::Index>(k);
    const bool along = k == 2;
    origin_[k] = along ? 0.0F : static_cast<float>(bounds.min()[axis] - 1.5 * edge);
    const double span = std::max(0.0, bounds.max()[axis] - static_cast<double>(origin_[k]));
    count_[k] = static_cast<int>(std::floor(span / edge)) + 2 + (along ? 0 : 1);
  }
  rounding_ = faces_.rounding_mm(static_cast<float>(
      std::max(bounds.min().cwiseAbs().maxCoeff(), bounds.max().cwiseAbs().maxCoeff()) + 2.0 * edge));
}

int FieldFill::block_index(const Block& at) const {
  for (std::size_t k = 0; k < 3; ++k)
    if (at[k] < 0 || at[k] >= count_[k]) return kNone;
  return (at[2] * count_[1] + at[1]) * count_[0] + at[0];
}

void FieldFill::mark_touched() {
  block_side_.assign(static_cast<std::size_t>(count_[0]) * static_cast<std::size_t>(count_[1]) *
                         static_cast<std::size_t>(count_[2]),
                     BlockSide::unsettled);
  const TriangleMesh& mesh = wall_->channel().mesh_E;
  const double edge = kBlockCells * spacing_;
  const Eigen::Vector3d origin(origin_[0], origin_[1], origin_[2]);
  for (const auto& t : mesh.triangles) {
    Eigen::AlignedBox3d bounds;
    for (const int v : t) bounds.extend(mesh.vertices[static_cast<std::size_t>(v)]);
    if (bounds.max().z() < 0.0) continue;
    const Eigen::Vector3d& a = mesh.vertices[static_cast<std::size_t>(t[0])];
    const Eigen::Vector3d normal = (mesh.vertices[static_cast<std::size_t>(t[1])] - a)
                                       .cross(mesh.vertices[static_cast<std::size_t>(t[2])] - a)
                                       .normalized();
    const double slack = static_cast<double>(rounding_);
    Block low;
    Block high;
    for (std::size_t k = 0; k < 3; ++k) {
      const auto axis = static_cast<Eigen::Index>(k);
      low[k] = std::max(0, static_cast<int>(std::floor((bounds.min()[axis] - slack - origin[axis]) / edge)));
      high[k] = static_cast<int>(std::floor((bounds.max()[axis] + slack - origin[axis]) / edge));
    }
    for (int z = low[2]; z <= high[2]; ++z)
      for (int y = low[1]; y <= high[1]; ++y)
        for (int x = low[0]; x <= high[0]; ++x) {
          const Eigen::Vector3d centre = origin + edge * Eigen::Vector3d(x + 0.5, y + 0.5, z + 0.5);
          if (plane_meets_box(normal, normal.dot(a), centre, 0.5 * edge, slack))
            block_side_[static_cast<std::size_t>(block_index({x, y, z}))] = BlockSide::touched;
        }
  }
}

/// Untouched blocks that share a face are on one side: no face, cap or passage lies between them.
void FieldFill::settle_untouched() {
  const double edge = kBlockCells * spacing_;
  std::vector<Block> front;
  for (int z = 0; z < count_[2]; ++z)
    for (int y = 0; y < count_[1]; ++y)
      for (int x = 0; x < count_[0]; ++x) {
        const Block seed{x, y, z};
        if (block_side_[static_cast<std::size_t>(block_index(seed))] != BlockSide::unsettled) continue;
        const Eigen::Vector3d centre = Eigen::Vector3d(origin_[0], origin_[1], origin_[2]) +
                                       edge * Eigen::Vector3d(x + 0.5, y + 0.5, z + 0.5);
        const BlockSide side = wall_->inside(centre) ? BlockSide::inside : BlockSide::outside;
        block_side_[static_cast<std::size_t>(block_index(seed))] = side;
        front.assign(1, seed);
        while (!front.empty()) {
          const Block at = front.back();
          front.pop_back();
          for (const Block& by : kDirection) {
            const Block next = moved(at, by);
            const int index = block_index(next);
            if (index == kNone) continue;
            BlockSide& other = block_side_[static_cast<std::size_t>(index)];
            if (other != BlockSide::unsettled) continue;
            other = side;
            front.push_back(next);
          }
        }
      }
}

void FieldFill::keep_blocks() {
  kept_of_.assign(block_side_.size(), kNone);
  for (int z = 0; z < count_[2]; ++z)
    for (int y = 0; y < count_[1]; ++y)
      for (int x = 0; x < count_[0]; ++x) {
        const auto index = static_cast<std::size_t>(block_index({x, y, z}));
        if (block_side_[index] == BlockSide::outside) continue;
        kept_of_[index] = static_cast<int>(kept_.size());
        kept_.push_back({{x, y, z}, {}, kNone});
      }
  for (Kept& kept : kept_)
    for (std::size_t k = 0; k < 6; ++k) {
      const int index = block_index(moved(kept.at, kDirection[k]));
      kept.neighbour[k] = index == kNone ? kNone : kept_of_[static_cast<std::size_t>(index)];
    }
}

/// Box of nodes first .. last (along each axis) of a block.
FloatBox FieldFill::block_box(const Block& at, int first, int last) const {
  FloatBox box;
  for (std::size_t k = 0; k < 3; ++k) {
    const double corner = static_cast<double>(origin_[k]) + kBlockCells * spacing_ * at[k];
    box[k] = static_cast<float>(corner + first * spacing_);
    box[k + 3] = static_cast<float>(corner + last * spacing_);
  }
  return box;
}

void FieldFill::measure_blocks() {
  distance_.resize(kept_.size() * kOwn);
  face_.resize(kept_.size() * kOwn);
  // Where a passage can matter: marked nodes, and edges that one might cut.
  const double passage_reach = kPassageMargin_mm + 3.0 * spacing_;
  int near_passage = 0;
  if (!passages_.empty()) {
    PacketList found;
    for (Kept& kept : kept_) {
      passages_.collect(block_box(kept.at, 0, kBlockCells), static_cast<float>(passage_reach), found);
      if (found.size() > 0) kept.passage = near_passage++;
    }
  }
  passage_distance_.resize(static_cast<std::size_t>(near_passage) * kOwn);
  tbb::parallel_for(std::size_t{0}, kept_.size(), [&](std::size_t b) {
    thread_local BlockMeasure measure;
    const FloatBox box = block_box(kept_[b].at, 0, kBlockCells - 1);
    const auto spacing = static_cast<float>(spacing_);
    measure.run(faces_, {box[0], box[1], box[2]}, spacing, static_cast<float>(band_), &distance_[b * kOwn],
                &face_[b * kOwn]);
    if (kept_[b].passage == kNone) return;
    std::array<std::int32_t, kOwn> unused;
    measure.run(passages_, {box[0], box[1], box[2]}, spacing, static_cast<float>(passage_reach),
                &passage_distance_[static_cast<std::size_t>(kept_[b].passage) * kOwn], unused.data());
  });
}

Eigen::Vector3d FieldFill::node_point(int node) const {
  const Kept& kept = kept_[static_cast<std::size_t>(node / kOwn)];
  const int local = node % kOwn;
  const std::array<int, 3> i = {local % kBlockCells, local / kBlockCells % kBlockCells,
                                local / (kBlockCells * kBlockCells)};
  Eigen::Vector3d p;
  for (std::size_t k = 0; k < 3; ++k)
    p[static_cast<Eigen::Index>(k)] =
        static_cast<double>(origin_[k]) + spacing_ * (kBlockCells * kept.at[k] + i[k]);
  return p;
}

/// The node next to `node`, or kNone where its block is not kept.
int FieldFill::neighbour_node(int node, int direction) const {
  constexpr std::array<int, 3> stride = {1, kBlockCells, kBlockCells * kBlockCells};
  const auto axis = static_cast<std::size_t>(direction / 2);
  const bool up = direction % 2 == 1;
  const int local = node % kOwn;
  const int i = local / stride[axis] % kBlockCells;
  const int step = up ? stride[axis] : -stride[axis];
  if (up ? i < kBlockCells - 1 : i > 0) return node + step;
  const int block =
      kept_[static_cast<std::size_t>(node / kOwn)].neighbour[static_cast<std::size_t>(direction)];
  if (block == kNone) return kNone;
  return block * kOwn + local - (kBlockCells - 1) * step;
}

/// A lower bound of the distance to the wall.
double FieldFill::reach_of(int node) const {
  return static_cast<double>(distance_[static_cast<std::size_t>(node)]) - static_cast<double>(rounding_);
}

/// A lower bound of the distance to the nearest passage.
double FieldFill::passage_reach_of(int node) const {
  const int passage = kept_[static_cast<std::size_t>(node / kOwn)].passage;
  if (passage == kNone) return kInfinity;
  return static_cast<double>(passage_distance_[static_cast<std::size_t>(passage * kOwn + node % kOwn)]) -
         static_cast<double>(rounding_);
}

/// Do balls about two neighbouring nodes, clear of wall and passages, cover the edge between them?
bool FieldFill::joined(int node, int other) const {
  return std::min(reach_of(node), passage_reach_of(node)) +
             std::min(reach_of(other), passage_reach_of(other)) >
         spacing_;
}

void FieldFill::spread(std::vector<int>& front, Side side) {
  while (!front.empty()) {
    const int node = front.back();
    front.pop_back();
    for (int direction = 0; direction < 6; ++direction) {
      const int other = neighbour_node(node, direction);
      if (other == kNone || side_[static_cast<std::size_t>(other)] != Side::unproved || !joined(node, other))
        continue;
      side_[static_cast<std::size_t>(other)] = side;
      front.push_back(other);
    }
  }
}

/// Nodes of untouched blocks are inside; so is the lower face of their neighbour above, which they share. A
/// block that is not kept is outside, and lends its side the same way.
void FieldFill::spread_known_sides() {
  side_.assign(distance_.size(), Side::unproved);
  std::vector<int> inside;
  std::vector<int> outside;
  const auto settle = [&](int node, Side side) {
    Side& known = side_[static_cast<std::size_t>(node)];
    if (known != Side::unproved) return;
    known = side;
    (side == Side::inside ? inside : outside).push_back(node);
  };
  for (std::size_t b = 0; b < kept_.size(); ++b) {
    const int first = static_cast<int>(b) * kOwn;
    if (block_side_[static_cast<std::size_t>(block_index(kept_[b].at))] == BlockSide::inside) {
      for (int i = 0; i < kOwn; ++i) side_[static_cast<std::size_t>(first + i)] = Side::inside;
      continue;
    }
    for (int direction = 0; direction < 6; ++direction) {
      const int index = block_index(moved(kept_[b].at, kDirection[static_cast<std::size_t>(direction)]));
      if (index == kNone) continue;
      const BlockSide next = block_side_[static_cast<std::size_t>(index)];
      if (next == BlockSide::touched) continue;
      const Side side = next == BlockSide::inside ? Side::inside : Side::outside;
      for (int i = 0; i < kOwn; ++i) {
        const int node = first + i;
        const int other = neighbour_node(node, direction);
        if (other != kNone && other / kOwn == node / kOwn) continue;
        const bool shared = direction % 2 == 0;  // the block's lower face belongs to the neighbour as well
        const double clear = std::min(reach_of(node), passage_reach_of(node));
        if (shared || clear > spacing_ || (other != kNone && joined(node, other))) settle(node, side);
      }
    }
  }
  spread(inside, Side::inside);
  spread(outside, Side::outside);
}

/// Lumen too narrow to hold a whole block, and pockets: one exact question for each component.
void FieldFill::ask_remaining_sides() {
  std::vector<int> front;
  for (int node = 0; node < static_cast<int>(side_.size()); ++node) {
    if (side_[static_cast<std::size_t>(node)] != Side::unproved) continue;
    if (std::min(reach_of(node), passage_reach_of(node)) < kWorthAsking * spacing_) continue;
    const Eigen::Vector3d p = node_point(node);
    const Side side = wall_->inside({p.x(), p.y(), std::max(p.z(), 2.0 * kEntryPlaneContact_mm)})
                          ? Side::inside
                          : Side::outside;
    side_[static_cast<std::size_t>(node)] = side;
    front.assign(1, node);
    spread(front, side);
  }
}

void FieldFill::assemble() {
  DistanceField& field = *field_;
  field.quads_ = LargeArray<std::int16_t>((kept_.size() + 1) * kBlockQuads * kQuad);
  field.face_ = LargeArray<std::int32_t>(kept_.size() * kBlockNodes);
  std::fill_n(field.quads_.data(), kBlockQuads * kQuad, kUnknownStep);
  field.offset_.assign(kept_of_.size(), 0);
  for (std::size_t i = 0; i < kept_of_.size(); ++i)
    if (kept_of_[i] != kNone) field.offset_[i] = (kept_of_[i] + 1) * kBlockQuads;
  // Nodes outside are at most a block's diagonal and a cell's away from the wall.
  const double farthest = 1.1 * std::sqrt(3.0) * (kBlockCells + 1) * spacing_;
  const double largest = std::max(band_, farthest);
  FieldView& view = field.view_;
  view.quads = field.quads_.data();
  view.offset = field.offset_.data();
  std::copy(count_.begin(), count_.end(), view.count);
  std::copy(origin_.begin(), origin_.end(), view.origin);
  view.spacing = static_cast<float>(spacing_);
  view.square_step = static_cast<float>(1.01 * largest * largest / kLargestStep);
  view.rounding =
      view.spacing *
      (kPlaceRounding * static_cast<float>(kBlockCells * *std::max_element(count_.begin(), count_.end())) +
       0.5F / static_cast<float>(kPlacesInCell));
  view.unknown_below = -std::sqrt(1.9999F * static_cast<float>(kLargestStep) * view.square_step);
  const auto step = static_cast<double>(view.square_step);
  field.node_rounding_mm_ = static_cast<double>(rounding_);
  field.outside_rounding_mm2_ =
      farthest * (4.0 * static_cast<double>(rounding_) + 1e-5 * farthest) + 2.0 * step;
  tbb::parallel_for(std::size_t{0}, kept_.size(), [&](std::size_t b) { assemble_block(b); });
}

/// The value of one node: its square in steps, rounded down.
std::int16_t FieldFill::step_of(Side side, double distance, double away) const {
  const auto step = static_cast<double>(field_->view_.square_step);
  const auto rounding = static_cast<double>(rounding_);
  if (side == Side::inside) {
    const double least = std::max(0.0, distance - rounding);
    return static_cast<std::int16_t>(least * least * (1.0 - kSquareRounding) / step);
  }
  const double most = distance + rounding + away;
  const double steps = std::ceil(most * most * (1.0 + kSquareRounding) / step);
  assert(steps <= kLargestStep);
  return static_cast<std::int16_t>(-steps);
}

void FieldFill::assemble_block(std::size_t kept) {
  std::int32_t* face = &field_->face_[kept * kBlockNodes];
  std::array<std::int16_t, kBlockNodes> value;
  // Blocks that own this one's nodes, by which of the upper faces they lie on.
  std::array<int, 8> owner;
  for (int c = 0; c < 8; ++c) {
    const int index = block_index(moved(kept_[kept].at, {c & 1, c >> 1 & 1, c >> 2 & 1}));
    owner[static_cast<std::size_t>(c)] = index == kNone ? kNone : kept_of_[static_cast<std::size_t>(index)];
  }
  const double marked = kPassageMargin_mm + std::sqrt(3.0) * spacing_;
  std::size_t slot = 0;
  for (int z = 0; z < kBlockEdge; ++z)
    for (int y = 0; y < kBlockEdge; ++y)
      for (int x = 0; x < kBlockEdge; ++x, ++slot) {
        const int upper = (x / kBlockCells) + 2 * (y / kBlockCells) + 4 * (z / kBlockCells);
        const int block = owner[static_cast<std::size_t>(upper)];
        const bool owned = block != kNone;
        // A node that no kept block owns is outside; this block's node nearest to it stands for its distance.
        const auto wrap = [&](int i) { return i < kBlockCells ? i : owned ? 0 : kBlockCells - 1; };
        const int node = (owned ? block : static_cast<int>(kept)) * kOwn +
                         (wrap(z) * kBlockCells + wrap(y)) * kBlockCells + wrap(x);
        const auto at = static_cast<std::size_t>(node);
        const double away = owned ? 0.0 : spacing_ * kDiagonal[static_cast<std::size_t>(upper)];
        const Side side = owned ? side_[at] : Side::unproved;
        const bool unknown = passage_reach_of(node) - away < marked;
        value[slot] = unknown ? kUnknownStep : step_of(side, static_cast<double>(distance_[at]), away);
        face[slot] = unknown || side == Side::unproved ? ~face_[at] : face_[at];
      }
  write_quads(value, &field_->quads_[(kept + 1) * kBlockQuads * kQuad]);
}

std::shared_ptr<const DistanceField> DistanceField::make(std::shared_ptr<const WallDistance> wall,
                                                         double spacing_mm, double band_mm) {
  return FieldFill(std::move(wall), spacing_mm, band_mm).run();
}

}  // namespace withy
