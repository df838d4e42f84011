// SPDX-License-Identifier: GPL-3.0-or-later
// Channels with their distance fields, made when first asked for, shared by all runs that can share them, and
// let go after the last of those.
//
// Runs share a channel when mesh, unit, entry and outlets are the same and the field's spacing is; a field is
// good for any body, its bound holds at every spacing. So that designs whose radii differ a little share one,
// the spacing that suits a radius is rounded down to a step of sqrt(2) below the coarsest.
#pragma once

#include <cstddef>
#include <map>
#include <memory>
#include <mutex>
#include <string>

#include "planner/search/ask/scene_problem.h"

namespace withy {

/// The spacing (mm) of the field that the scene's runs use.
double shared_spacing(const Scene& scene);

/// What a scene's channel and field depend on, as one text.
std::string channel_key(const Scene& scene);

/// Safe to use from several threads at once; oneTBB threads that wait for a field help to fill it.
class ChannelStore {
 public:
  ChannelStore();
  ~ChannelStore();

  /// One more run will take the channel of this key.
  void expect(const std::string& key);

  /// The distances in the scene's channel. Errors: as read_wall's, but for those of where this scene's target
  /// and body are (placing_fault says those).
  Result<std::shared_ptr<const ChannelDistance>> take(const std::string& key, const Scene& scene);

  /// A run that was expected is through with it.
  void leave(const std::string& key);

 private:
  struct Slot;
  std::mutex mutex_;
  std::map<std::string, std::shared_ptr<Slot>> slots_;
};

}  // namespace withy
