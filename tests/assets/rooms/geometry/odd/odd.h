// SPDX-License-Identifier: GPL-3.0-or-later
// Includes upward, each time in another form, which the check of rooms must find.
#pragma once

// One of the forms is how no formatter would write it.
// clang-format off
  # include   <planner/high/high.h>
#include "../../planner/high/high.h"
#include "tests/support/help.h"
// clang-format on
