// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/elastic/element_mesh.h"

#include <algorithm>
#include <cmath>

#include "planner/segment/state.h"
#include "planner/segment/tendons.h"

namespace withy {
namespace {

/// Stations where an element has to end, in order, each once.
std::vector<double> cuts_of(const Design& design) {
  std::vector<double> cuts = {0.0, design.length_mm()};
  for (const RigidSpan& span : design.rigid_spans()) {
    cuts.push_back(span.from_mm);
    cuts.push_back(span.to_mm);
  }
  for (int lock = 0; lock < design.lock_count(); ++lock) cuts.push_back(design.station_mm(lock));
  if (design.tendons())
    for (const double s : disk_stations(design.length_mm(), design.tendons()->disk_spacing_mm))
      cuts.push_back(s);
  std::sort(cuts.begin(), cuts.end());
  std::vector<double> distinct;
  for (const double s : cuts)
    if (distinct.empty() || s - distinct.back() > kNoLength_mm) distinct.push_back(s);
  return distinct;
}

bool is_rigid(const Design& design, double station_mm) {
  const auto& spans = design.rigid_spans();
  return std::any_of(spans.begin(), spans.end(), [&](const RigidSpan& span) {
    return station_mm > span.from_mm && station_mm < span.to_mm;
  });
}

}  // namespace

ElementMesh::ElementMesh(const Design& design, int elements) {
  const std::vector<double> cuts = cuts_of(design);
  double longest = design.length_mm() / elements;
  if (const double gap = design.tendons() ? design.tendons()->disk_spacing_mm : 0.0; gap > 0.0)
    longest = std::min(longest, gap / kElementsInGap * kUsualElements / elements);
  for (std::size_t i = 0; i + 1 < cuts.size(); ++i)
    add(cuts[i], cuts[i + 1], is_rigid(design, 0.5 * (cuts[i] + cuts[i + 1])), longest);
  for (int lock = 0; lock < design.lock_count(); ++lock)
    lock_node_.push_back(nearest_node(design.station_mm(lock)));
  if (design.tendons())
    for (const double s : disk_stations(design.length_mm(), design.tendons()->disk_spacing_mm))
      disk_node_.push_back(nearest_node(s));
}

void ElementMesh::add(double from_mm, double to_mm, bool rigid, double longest_mm) {
  if (rigid) {
    element_.push_back({from_mm, to_mm, -1});
    return;
  }
  const int pieces = static_cast<int>(std::ceil((to_mm - from_mm) / longest_mm - kNoLength_mm));
  const double length = (to_mm - from_mm) / pieces;
  for (int i = 0; i < pieces; ++i) {
    of_flexible_.push_back(count());
    const double end = i + 1 == pieces ? to_mm : from_mm + (i + 1) * length;
    element_.push_back({from_mm + i * length, end, flexible_++});
  }
}

double ElementMesh::station_mm(int node) const {
  return node == count() ? element_.back().to_mm : element_[static_cast<std::size_t>(node)].from_mm;
}

int ElementMesh::nearest_node(double station_mm_wanted) const {
  int best = 0;
  for (int node = 1; node <= count(); ++node)
    if (std::abs(station_mm(node) - station_mm_wanted) < std::abs(station_mm(best) - station_mm_wanted))
      best = node;
  return best;
}

}  // namespace withy
