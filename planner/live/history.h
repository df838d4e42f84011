// SPDX-License-Identifier: GPL-3.0-or-later
// Undo and redo of a scene: the scenes that were, by their texts. Changes of one gesture (one drag of the
// mouse) are undone together.
#pragma once

#include <memory>
#include <string>
#include <vector>

#include "planner/live/live_scene.h"

namespace withy {

/// Older ones are forgotten.
inline constexpr std::size_t kHistoryMost = 500;

class History {
 public:
  explicit History(std::shared_ptr<const LiveScene> first) : now_(std::move(first)) {}

  const std::shared_ptr<const LiveScene>& now() const { return now_; }
  bool can_undo() const { return !before_.empty(); }
  bool can_redo() const { return !after_.empty(); }

  /// `gesture`: changes with the same one that follow one another are one; empty: a gesture of its own.
  void put(std::shared_ptr<const LiveScene> next, const std::string& gesture) {
    if (gesture.empty() || gesture != gesture_ || before_.empty()) before_.push_back(now_->text);
    if (before_.size() > kHistoryMost) before_.erase(before_.begin());
    gesture_ = gesture;
    after_.clear();
    now_ = std::move(next);
  }

  // The text to go to; preconditions: can_undo(), can_redo().
  const std::string& undo_text() const { return before_.back(); }
  const std::string& redo_text() const { return after_.back(); }

  /// Goes there. `scene` is of undo_text() or redo_text().
  void undone(std::shared_ptr<const LiveScene> scene) { step(std::move(scene), before_, after_); }
  void redone(std::shared_ptr<const LiveScene> scene) { step(std::move(scene), after_, before_); }

 private:
  void step(std::shared_ptr<const LiveScene> scene, std::vector<std::string>& from,
            std::vector<std::string>& to) {
    to.push_back(now_->text);
    from.pop_back();
    gesture_.clear();
    now_ = std::move(scene);
  }

  std::shared_ptr<const LiveScene> now_;
  std::string gesture_;
  std::vector<std::string> before_, after_;
};

}  // namespace withy
