// SPDX-License-Identifier: GPL-3.0-or-later
// Plain text inside HTML or SVG.
#pragma once

#include <string>
#include <string_view>

namespace withy {

/// `text` with what markup takes for its own (&, <, >) written as entities. For element text, not for
/// attributes.
std::string escaped_for_markup(std::string_view text);

}  // namespace withy
