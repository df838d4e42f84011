// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/files/plain_line.h"

#include <catch2/catch.hpp>

#include "planner/files/input_file.h"

using namespace withy;

TEST_CASE("Well-formed UTF-8 is told from the rest as the Unicode Standard has it") {
  // The Unicode Standard 15.0, table 3-7: first and last sequences of each length, and what lies just
  // outside.
  for (const char* good : {"", "plain", "\xc2\x80", "\xdf\xbf", "\xe0\xa0\x80", "\xed\x9f\xbf",
                           "\xee\x80\x80", "\xef\xbf\xbf", "\xf0\x90\x80\x80", "\xf4\x8f\xbf\xbf"})
    CHECK(is_utf8(good));
  for (const char* bad : {"\x80", "\xc0\x80", "\xc1\xbf", "\xe0\x9f\xbf", "\xed\xa0\x80", "\xf0\x8f\xbf\xbf",
                          "\xf4\x90\x80\x80", "\xf5\x80\x80\x80", "\xc2", "\xe1\x80", "a\xff"})
    CHECK_FALSE(is_utf8(bad));
  CHECK(first_fault_of_utf8("ab\xff") == 2);
}

TEST_CASE("What a terminal would act on is spelled out") {
  CHECK(without_controls("a\nb\tc") == "a b c");
  CHECK(without_controls("\x1b[2Jx") == "\\u001b[2Jx");
  CHECK(without_controls("\x7f") == "\\u007f");
  CHECK(without_controls("\xc2\x9b") == "\\u009b");      // C1: control sequence introducer
  CHECK(without_controls("\xe2\x80\xae") == "\\u202e");  // right-to-left override
  CHECK(without_controls("a\xff") == "a\\xff");
  CHECK(without_controls("\xc3\xa9t\xc3\xa9 \xc2\xb2") == "\xc3\xa9t\xc3\xa9 \xc2\xb2");
}

TEST_CASE("A long word is cut, between characters, and a short one is not") {
  CHECK(plain_line("short words stay as they are") == "short words stay as they are");
  CHECK(plain_line(std::string(100, 'a') + " b", 10) == "aaaaaaaaaa... (90 bytes more) b");
  const std::string cut = plain_line("\xc3\xa9\xc3\xa9\xc3\xa9", 3);
  CHECK(is_utf8(cut));
  CHECK(cut.starts_with("\xc3\xa9..."));
}

TEST_CASE("Runs of blanks and lines of many words are cut as words are") {
  CHECK(plain_line("a  b   c") == "a  b   c");
  CHECK(plain_line("a" + std::string(30, ' ') + "b", 10) ==
        "a" + std::string(10, ' ') + "... (20 bytes more)b");
  CHECK(plain_line(std::string(5000, '\t')).size() < 200);
  std::string words;
  for (int i = 0; i < 1000000; ++i) words += "a ";
  const std::string cut = plain_line(words);
  CHECK(cut.size() < 3000);
  CHECK(cut.ends_with(" bytes more)"));
}
