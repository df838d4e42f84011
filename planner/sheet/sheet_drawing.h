// SPDX-License-Identifier: GPL-3.0-or-later
// The build sheet as a dimensioned drawing to scale, on A3: the straight segment from the side with its
// running dimensions from the base, the notches of each lock under it at the same scale, a section at each
// lock and one between them, and the values of the scene that all of it rests on.
#pragma once

#include <string>

#include "planner/sheet/build_sheet.h"
#include "planner/sheet/drawing_pen.h"

namespace withy {

/// The largest of the scales 5, 2 and 1 times a power of ten (ISO 5455) at which `length_mm` is no longer
/// than `room_mm` on paper. Preconditions: both positive.
double drawing_scale(double length_mm, double room_mm);

/// "5:1", "1:2".
std::string scale_text(double scale);

/// Where labels go that want to stand at `wanted` (ascending): in the same order, `gap` apart at least,
/// within [from, to] as far as they fit.
std::vector<double> spread(std::vector<double> wanted, double gap, double from, double to);

/// The file's bytes.
std::string sheet_drawing(const BuildSheet& sheet, DrawingFormat format);

}  // namespace withy
