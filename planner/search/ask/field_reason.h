// SPDX-License-Identifier: GPL-3.0-or-later
// Why the field forbids a route: which lock, in which pose, what it would take and what there is, and which
// clocking would do.
#pragma once

#include <string>

#include "planner/search/route/route.h"
#include "planner/segment/design.h"

namespace withy {

/// A sentence without its full stop. `route` was found without the field; a clocking is named where turning
/// one lock lets the field do every switch of it.
std::string field_reason(const Design& design, const Route& route);

}  // namespace withy
