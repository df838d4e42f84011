// SPDX-License-Identifier: GPL-3.0-or-later
// Includes downward, as it may.
#pragma once

#include "geometry/low/low.h"
