// SPDX-License-Identifier: GPL-3.0-or-later
// Includes upward, which the check of rooms must find.
#pragma once

#include "planner/high/high.h"
