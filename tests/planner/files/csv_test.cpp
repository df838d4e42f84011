// SPDX-License-Identifier: GPL-3.0-or-later
// The rules are those of RFC 4180, Y. Shafranovich, "Common Format and MIME Type for Comma-Separated Values
// (CSV) Files", 2005, section 2; the first examples are its own.
#include "planner/files/csv.h"

#include <catch2/catch.hpp>

using withy::csv_quoted;
using withy::parse_csv;

namespace {

std::vector<std::vector<std::string>> texts(std::string_view text) {
  const auto records = parse_csv(text, "t.csv");
  if (!records) throw std::runtime_error(records.error().message());
  std::vector<std::vector<std::string>> out;
  for (const auto& record : *records) {
    out.emplace_back();
    for (const auto& field : record) out.back().push_back(field.text);
  }
  return out;
}

using Table = std::vector<std::vector<std::string>>;

}  // namespace

TEST_CASE("The RFC's examples read as it says") {
  CHECK(texts("aaa,bbb,ccc\r\nzzz,yyy,xxx\r\n") == Table{{"aaa", "bbb", "ccc"}, {"zzz", "yyy", "xxx"}});
  CHECK(texts("aaa,bbb,ccc\r\nzzz,yyy,xxx") == Table{{"aaa", "bbb", "ccc"}, {"zzz", "yyy", "xxx"}});
  CHECK(texts("\"aaa\",\"b\r\nbb\",\"ccc\"\r\nzzz,yyy,xxx\r\n") ==
        Table{{"aaa", "b\r\nbb", "ccc"}, {"zzz", "yyy", "xxx"}});
  CHECK(texts("\"aaa\",\"b\"\"bb\",\"ccc\"") == Table{{"aaa", "b\"bb", "ccc"}});
}

TEST_CASE("Empty fields, spaces and bare line feeds are kept as the RFC has them") {
  CHECK(texts(",,\n a ,\"\",b\n") == Table{{"", "", ""}, {" a ", "", "b"}});
}

TEST_CASE("A byte order mark, which spreadsheets write, is no part of the first field") {
  CHECK(texts("\xef\xbb\xbfx,y\n1,2\n") == Table{{"x", "y"}, {"1", "2"}});
  CHECK(texts("\xef\xbb\xbf\"x\",y\n") == Table{{"x", "y"}});
}

TEST_CASE("Only what needs quotes gets them, and reading undoes it") {
  CHECK(csv_quoted("plain text") == "plain text");
  CHECK(csv_quoted("a,b") == "\"a,b\"");
  CHECK(csv_quoted("say \"a\"") == "\"say \"\"a\"\"\"");
  for (const std::string text : {"", "a,b", "\"", "two\nlines", "cr\r\nlf,\"q\""})
    CHECK(texts(csv_quoted(text) + ",x\r\n") == Table{{text, "x"}});
}

TEST_CASE("A field knows the line and column it stands at") {
  const auto records = parse_csv("ab,c\r\n\"x\r\ny\",d\r\ne", "t.csv");
  REQUIRE(records);
  CHECK((*records)[0][1].line == 1);
  CHECK((*records)[0][1].column == 4);
  CHECK((*records)[1][1].line == 3);  // the quoted field before it spans two lines
  CHECK((*records)[1][1].column == 4);
  CHECK((*records)[2][0].line == 4);
}

TEST_CASE("A broken quote is refused where it stands") {
  CHECK(parse_csv("a,b\"c\n", "t.csv")
            .error()
            .message()
            .starts_with("t.csv:1:4: a quote stands inside a field"));
  CHECK(parse_csv("a\n\"b\"c\n", "t.csv")
            .error()
            .message()
            .starts_with("t.csv:2:4: text follows a closing quote"));
  CHECK(parse_csv("a\nb,\"c\n", "t.csv")
            .error()
            .message()
            .starts_with("t.csv:2:3: this quote is never closed"));
}
