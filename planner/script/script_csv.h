// SPDX-License-Identifier: GPL-3.0-or-later
// An action script as comma-separated values, out and back in.
//
// Columns: step, action, insertion_mm, pull_1_mm .. pull_n_mm, field_x_mT, field_y_mT, field_z_mT,
// current_1_A .., lock_1 .. lock_N, dwell_s, note. lock_i is 1 when lock i holds once the row's dwell is
// over. RFC 4180 has no comments, so the hashes and the cautions stand in the note of the first row.
#pragma once

#include <string>
#include <string_view>

#include "planner/script/script.h"

namespace withy {

/// Lines end with CRLF (RFC 4180, rule 1).
std::string write_csv(const Script& script);

/// Reads a script; `file` is named in errors. Errors: a malformed record, columns missing, unknown or out of
/// order, a field that is no number, steps that do not count up from 0, a lock that is neither 0 nor 1, no
/// rows.
Result<Script> read_csv(std::string_view text, const std::string& file);

}  // namespace withy
