// SPDX-License-Identifier: GPL-3.0-or-later
// Every answer before its checker: a plan by its file, "unreachable" by its certificate.
#pragma once

#include <string>

#include "planner/proof/recheck/certificate.h"
#include "planner/proof/recheck/outcome.h"
#include "planner/search/ask/scene_problem.h"

namespace withy::consistency {

struct Recheck {
  bool of_plan = false;
  recheck::Outcome outcome;
  double seconds = 0.0;
};

/// `text` is the plan's file.
Recheck recheck_plan(const std::string& text, const PreparedScene& prepared);

/// By way of the file, so that what is written is what is checked. Scene and targets are named.
Recheck recheck_proof(const recheck::Certificate& certificate, const PreparedScene& prepared);

}  // namespace withy::consistency
