// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/files/markup.h"

#include <catch2/catch.hpp>

using namespace withy;

TEST_CASE("Text in markup opens no element, and holds no character that XML 1.0 has no place for") {
  CHECK(escaped_for_markup("</title><script>1 & 2</script>") ==
        "&lt;/title&gt;&lt;script&gt;1 &amp; 2&lt;/script&gt;");
  CHECK(escaped_for_markup("a\x1b[2Jb\nc") == "a\\u001b[2Jb c");
  CHECK(escaped_for_markup("\xc3\xa4") == "\xc3\xa4");
}
