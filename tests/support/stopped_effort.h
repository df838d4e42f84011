// SPDX-License-Identifier: GPL-3.0-or-later
// An effort that ends after a count of questions, whatever the clock says: for loops that are to be cut short
// at a known place.
#pragma once

#include <atomic>
#include <memory>

#include "planner/effort/effort.h"

namespace withy_test {

/// Ends with the question after so many. Asked from several threads it ends after as many of all of them.
inline withy::Effort stopped_after(int questions) {
  auto asked = std::make_shared<std::atomic<int>>(0);
  return withy::Effort().until_stop([asked, questions] { return asked->fetch_add(1) >= questions; });
}

}  // namespace withy_test
