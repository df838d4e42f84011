// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/channel/wall_distance.h"

#include <cassert>
#include <cmath>
#include <cstddef>
#include <optional>
#include <utility>
#include <vector>

#include <CGAL/AABB_face_graph_triangle_primitive.h>
#include <CGAL/AABB_traits.h>
#include <CGAL/AABB_tree.h>
#include <CGAL/Exact_predicates_inexact_constructions_kernel.h>
#include <CGAL/Side_of_triangle_mesh.h>
#include <CGAL/Surface_mesh.h>
#include <tbb/parallel_invoke.h>

#include "geometry/channel/face_tree.h"
#include "geometry/channel/passage.h"
#include "geometry/mesh/surface_conversion.h"
#include "geometry/numbers/numbers.h"

namespace withy {
namespace {

using Kernel = CGAL::Exact_predicates_inexact_constructions_kernel;
using Point = Kernel::Point_3;
using Triangle = Kernel::Triangle_3;
using Surface = CGAL::Surface_mesh<Point>;

using SolidPrimitive = CGAL::AABB_face_graph_triangle_primitive<Surface>;
using SolidTree = CGAL::AABB_tree<CGAL::AABB_traits<Kernel, SolidPrimitive>>;
using Inside = CGAL::Side_of_triangle_mesh<Surface, Kernel, CGAL::Default, SolidTree>;

Point to_cgal(const Eigen::Vector3d& p) {
  return {p.x(), p.y(), p.z()};
}

/// Some of the faces, with a tree to find the nearest of them.
class Patch {
 public:
  Patch() = default;
  template <class Belongs>
  Patch(const Channel& channel, const Belongs& belongs) {
    for (std::size_t f = 0; f < channel.mesh_E.triangles.size(); ++f)
      if (belongs(f)) face_.push_back(static_cast<int>(f));
    tree_ = tree_of_faces(channel.mesh_E, face_);
  }

  bool empty() const { return tree_.empty(); }

  WallDistance::Nearest nearest(const Eigen::Vector3d& p_E) const {
    const FaceTree::Nearest found = tree_.nearest(p_E);
    return {found.point, found.distance, face_[found.triangle]};
  }

 private:
  std::vector<int> face_;
  FaceTree tree_;
};

/// Does the opening lie in the entry plane, so that "on the plane" is also "on the solid's surface"?
bool opening_is_flush(const Channel& channel) {
  for (const Opening& opening : channel.openings) {
    if (opening.is_entry) {
      return opening.z_min_mm >= -kEntryPlaneContact_mm && opening.z_max_mm <= kEntryPlaneContact_mm;
    }
  }
  return false;
}

}  // namespace

struct WallDistance::Impl {
  explicit Impl(std::shared_ptr<const Channel> the_channel)
      : channel(std::move(the_channel)), flush(opening_is_flush(*channel)) {
    const auto of_role = [this](FaceRole role) {
      return Patch(*channel, [this, role](std::size_t f) { return channel->role[f] == role; });
    };
    tbb::parallel_invoke(
        [&] {
          wall = of_role(FaceRole::wall);
          outlets = of_role(FaceRole::open_outlet);
          passages = Patch(*channel, [this](std::size_t f) { return is_passage(*channel, f); });
        },
        [&] {
          surface = surface_of<Surface>(channel->mesh_E);
          assert(surface.number_of_faces() == channel->mesh_E.triangles.size());
          solid.insert(faces(surface).begin(), faces(surface).end(), surface);
          solid.build();
          side.emplace(solid);
        });
  }

  std::shared_ptr<const Channel> channel;
  Patch wall;
  Patch outlets;
  Patch passages;
  Surface surface;
  SolidTree solid;
  std::optional<Inside> side;
  bool flush = false;
};

WallDistance::WallDistance(std::shared_ptr<const Channel> channel)
    : impl_(std::make_unique<Impl>(std::move(channel))) {
  assert(!impl_->wall.empty());
}

WallDistance::~WallDistance() = default;
WallDistance::WallDistance(WallDistance&&) noexcept = default;
WallDistance& WallDistance::operator=(WallDistance&&) noexcept = default;

WallDistance::Nearest WallDistance::nearest(const Eigen::Vector3d& p_E) const {
  return impl_->wall.nearest(p_E);
}

bool WallDistance::inside(const Eigen::Vector3d& p_E) const {
  Eigen::Vector3d q_E = p_E;
  if (impl_->flush && std::abs(p_E.z()) <= kEntryPlaneContact_mm &&
      p_E.head<2>().norm() <= impl_->channel->entry.opening_radius_mm) {
    q_E.z() = 2.0 * kEntryPlaneContact_mm;
  }
  return (*impl_->side)(to_cgal(q_E)) != CGAL::ON_UNBOUNDED_SIDE;
}

double WallDistance::outlet_distance(const Eigen::Vector3d& p_E) const {
  if (impl_->outlets.empty()) return kInfinity;
  return impl_->outlets.nearest(p_E).distance_mm;
}

bool WallDistance::has_open_outlet() const {
  return !impl_->outlets.empty();
}

double WallDistance::passage_distance(const Eigen::Vector3d& p_E) const {
  if (impl_->passages.empty()) return kInfinity;
  return impl_->passages.nearest(p_E).distance_mm;
}

bool WallDistance::has_passages() const {
  return !impl_->passages.empty();
}

const Channel& WallDistance::channel() const {
  return *impl_->channel;
}

std::shared_ptr<const Channel> WallDistance::channel_pointer() const {
  return impl_->channel;
}

}  // namespace withy
