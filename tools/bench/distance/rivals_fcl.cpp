// SPDX-License-Identifier: GPL-3.0-or-later

#include <fcl/fcl.h>

#include "geometry/numbers/numbers.h"
#include "tools/bench/distance/rivals.h"

namespace withy::bench {
namespace {

using Model = fcl::BVHModel<fcl::OBBRSSd>;

std::shared_ptr<const Model> model_of(const Channel& channel) {
  const auto model = std::make_shared<Model>();
  std::vector<fcl::Triangle> faces;
  for (std::size_t f = 0; f < channel.role.size(); ++f) {
    if (channel.role[f] != FaceRole::wall) continue;
    const auto& t = channel.mesh_E.triangles[f];
    faces.emplace_back(static_cast<std::size_t>(t[0]), static_cast<std::size_t>(t[1]),
                       static_cast<std::size_t>(t[2]));
  }
  model->beginModel();
  model->addSubModel(channel.mesh_E.vertices, faces);
  model->endModel();
  return model;
}

fcl::Transform3d at(const Eigen::Vector3d& p) {
  fcl::Transform3d pose = fcl::Transform3d::Identity();
  pose.translation() = p;
  return pose;
}

double distance(const Model& model, const Body& body) {
  const fcl::Sphered ball(body.radius_mm);
  double least = kInfinity;
  for (const Eigen::Vector3d& p : body.points) {
    fcl::DistanceRequestd request;
    fcl::DistanceResultd result;
    fcl::distance(&model, fcl::Transform3d::Identity(), &ball, at(p), request, result);
    least = std::min(least, result.min_distance);
  }
  return least;
}

double collide(const Model& model, const Body& body) {
  const fcl::Sphered ball(body.radius_mm);
  for (const Eigen::Vector3d& p : body.points) {
    fcl::CollisionRequestd request;
    fcl::CollisionResultd result;
    if (fcl::collide(&model, fcl::Transform3d::Identity(), &ball, at(p), request, result) > 0) return 1.0;
  }
  return 0.0;
}

}  // namespace

std::vector<Rival> fcl_rivals(const std::shared_ptr<const Channel>& channel) {
  const auto model = model_of(*channel);
  return {{"FCL distance to spheres", [model](const Body& body) { return distance(*model, body); }},
          {"FCL collide with spheres, yes or no", [model](const Body& body) { return collide(*model, body); },
           true}};
}

}  // namespace withy::bench
