// SPDX-License-Identifier: GPL-3.0-or-later
// SHA-256 (FIPS 180-4) by OpenSSL: how plans and scripts tell that their scene and mesh have not changed
// since.
#pragma once

#include <string>
#include <string_view>

namespace withy {

/// The digest of some bytes as 64 lower-case hexadecimal digits.
std::string sha256(std::string_view bytes);

}  // namespace withy
