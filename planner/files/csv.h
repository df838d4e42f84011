// SPDX-License-Identifier: GPL-3.0-or-later
// Comma-separated values (RFC 4180): quoting, and records whose fields know where they stood.
#pragma once

#include <string>
#include <string_view>
#include <vector>

#include "planner/files/input_error.h"

namespace withy {

struct CsvField {
  std::string text;
  int line = 1;
  int column = 1;
};

using CsvRecord = std::vector<CsvField>;

/// The field as it stands in a file: quoted where it holds a comma, a quote or a line break (RFC 4180, rules
/// 5 to 7).
std::string csv_quoted(std::string_view text);

/// All records of a text. Lines may end with CRLF, as the RFC says, or with LF; an empty line at the end is
/// no record, a byte order mark at the start no text. Errors: a quote inside a bare field, text after a
/// closing quote, a quote that is never closed.
Result<std::vector<CsvRecord>> parse_csv(std::string_view text, const std::string& file);

}  // namespace withy
