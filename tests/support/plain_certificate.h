// SPDX-License-Identifier: GPL-3.0-or-later
// The plain implementation, used by tests only: a certificate's lines as an outsider reads them, by what
// scenes/README.md says, and the question whether a state is in its set H. Scene, regions and bends are those
// of plain_scene.h and plain_body.h.
#pragma once

#include <map>
#include <string>
#include <utility>
#include <vector>

#include "tests/support/plain_body.h"

namespace withy_plain {

class Certificate {
 public:
  /// `text`: the file's, unpacked. Throws std::exception where it is no certificate.
  Certificate(const std::string& text, const Robot& robot);

  std::size_t leaves() const { return leaves_.size(); }
  /// Is the state in H (at a level)? A state within rounding of a part counts.
  bool holds(const State& state, int level = 0) const;

 private:
  /// Level, engaged locks from 1, notches of each.
  using Key = std::pair<std::pair<int, std::vector<int>>, std::vector<std::vector<int>>>;
  struct Tree {
    std::vector<double> low, high;
    std::string parts;
  };

  Robot robot_;
  bool latch_counts_ = false;
  std::map<Key, Tree> leaves_;
};

}  // namespace withy_plain
