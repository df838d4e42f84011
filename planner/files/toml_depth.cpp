// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/files/toml_depth.h"

#include <algorithm>
#include <cstddef>

namespace withy {
namespace {

/// Walks a TOML text; keeps how many brackets are open and how many parts the key under way has.
class DepthWalk {
 public:
  explicit DepthWalk(std::string_view text) : text_(text) {}

  std::optional<SourcePosition> first_deep() {
    while (at_ < text_.size()) {
      step();
      if (open_ > kDeepestToml || parts_ > kDeepestToml || open_ + parts_ > 2 * kDeepestToml) return place();
      ++at_;
    }
    return std::nullopt;
  }

 private:
  void step() {
    const char c = text_[at_];
    switch (c) {
      case '#':
        at_ = std::min(text_.find('\n', at_), text_.size()) - 1;
        break;
      case '"':
      case '\'':
        skip_string(c);
        break;
      case '.':
        ++parts_;
        break;
      case '[':
      case '{':
        ++open_;
        parts_ = 0;
        break;
      case ']':
      case '}':
        if (open_ > 0) --open_;
        parts_ = 0;
        break;
      case ',':
      case '=':
      case '\n':
        parts_ = 0;
        break;
      default:
        break;
    }
  }

  /// Leaves `at_` on the string's last character.
  void skip_string(char quote) {
    const bool three = text_.substr(at_, 3) == std::string_view(quote == '"' ? "\"\"\"" : "'''");
    at_ += three ? 3 : 1;
    while (at_ < text_.size()) {
      if (quote == '"' && text_[at_] == '\\') {
        at_ += 2;
        continue;
      }
      if (!three && (text_[at_] == quote || text_[at_] == '\n')) return;
      if (three && closes(quote)) {
        at_ += 2;
        return;
      }
      ++at_;
    }
  }

  bool closes(char quote) const {
    return at_ + 2 < text_.size() && text_[at_] == quote && text_[at_ + 1] == quote &&
           text_[at_ + 2] == quote;
  }

  SourcePosition place() const {
    SourcePosition at;
    for (std::size_t i = 0; i < at_; ++i) {
      if (text_[i] == '\n') {
        ++at.line;
        at.column = 1;
      } else {
        ++at.column;
      }
    }
    return at;
  }

  std::string_view text_;
  std::size_t at_ = 0;
  int open_ = 0;
  int parts_ = 0;
};

}  // namespace

std::optional<SourcePosition> first_deep_place(std::string_view text) {
  return DepthWalk(text).first_deep();
}

}  // namespace withy
