// SPDX-License-Identifier: GPL-3.0-or-later
// What every script and page carries, word for word, in plain ASCII so that any controller can show it.
#pragma once

#include <array>
#include <string_view>

namespace withy {

inline constexpr std::array<std::string_view, 4> kCautions = {
    "For bench and phantom work only: never in a person or an animal.",
    "Run it dry first, with the segment outside the phantom.",
    "Stay clear of the coils, and keep pacemakers, magnetic implants and loose ferrous parts away from them.",
    "Local rules and licensed practice come before anything written here.",
};

}  // namespace withy
