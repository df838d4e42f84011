// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/files/sha256.h"

#include <string>

#include <catch2/catch.hpp>

using withy::sha256;

TEST_CASE("the digest is that of the standard's examples") {
  // NIST, "Secure Hash Standard", FIPS 180-4, example vectors for SHA-256: one block, two blocks, a million
  // letters.
  CHECK(sha256("abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
  CHECK(sha256("abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq") ==
        "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1");
  CHECK(sha256(std::string(1'000'000, 'a')) ==
        "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0");
}
