// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/study/channel_store.h"

#include <cmath>
#include <optional>

#include <fmt/format.h>
#include <fmt/ranges.h>
#include <oneapi/tbb/collaborative_call_once.h>

namespace withy {

struct ChannelStore::Slot {
  std::size_t expected = 0;
  tbb::collaborative_once_flag made;
  std::optional<Result<std::shared_ptr<const ChannelDistance>>> channel;
};

ChannelStore::ChannelStore() = default;
ChannelStore::~ChannelStore() = default;

double shared_spacing(const Scene& scene) {
  const double wanted = field_spacing(scene);
  // Rounding up by a hair would skip a step for a radius that asks for exactly one.
  const double steps = std::ceil(2.0 * std::log2(kFieldCoarsest_mm / wanted) - 1e-9);
  return std::max(kFieldFinest_mm, kFieldCoarsest_mm * std::exp2(-0.5 * steps));
}

std::string channel_key(const Scene& scene) {
  const Eigen::Matrix4d& X = scene.entry.X_SE.matrix();
  return fmt::format("{} {} {} {} {} {} {}", scene.mesh_file.string(), scene.mesh_sha256,
                     static_cast<int>(scene.mesh_unit), static_cast<int>(scene.outlets),
                     scene.entry.opening_radius_mm, fmt::join(X.data(), X.data() + X.size(), " "),
                     shared_spacing(scene));
}

void ChannelStore::expect(const std::string& key) {
  const std::lock_guard lock(mutex_);
  auto& slot = slots_[key];
  if (!slot) slot = std::make_shared<Slot>();
  ++slot->expected;
}

Result<std::shared_ptr<const ChannelDistance>> ChannelStore::take(const std::string& key,
                                                                  const Scene& scene) {
  std::shared_ptr<Slot> slot;
  {
    const std::lock_guard lock(mutex_);
    slot = slots_.at(key);
  }
  tbb::collaborative_call_once(slot->made, [&] {
    auto wall = read_wall_only(scene);
    if (wall)
      slot->channel = prepare_distance(std::move(*wall), shared_spacing(scene));
    else
      slot->channel = tl::unexpected<InputError>(wall.error());
  });
  return *slot->channel;
}

void ChannelStore::leave(const std::string& key) {
  const std::lock_guard lock(mutex_);
  const auto found = slots_.find(key);
  if (--found->second->expected == 0) slots_.erase(found);
}

}  // namespace withy
