// SPDX-License-Identifier: GPL-3.0-or-later
// The build sheet as tables: CSV (RFC 4180) for programs and machines, plain text for a terminal.
#pragma once

#include <string>

#include "planner/sheet/build_sheet.h"

namespace withy {

/// Every part, a row each: part, number, from_mm, station_mm, to_mm, radius_mm, angle_deg, x_mm, y_mm, value,
/// unit, note. What a part doesn't have is left empty. The values that the sheet rests on are rows too (part
/// "given", its key of the scene as the note).
std::string sheet_csv(const BuildSheet& sheet);

/// Every notch, a row each: backbone, lock, notch (n), slide_mm (n p), from_base_mm. Only the header where
/// there are none.
std::string notches_csv(const BuildSheet& sheet);

/// What a person looks at first: stations, orientations, notches, and the remarks.
std::string sheet_text(const BuildSheet& sheet);

}  // namespace withy
