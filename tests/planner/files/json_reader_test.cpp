// SPDX-License-Identifier: GPL-3.0-or-later
// Places are counted by hand in the texts below.
#include "planner/files/json_reader.h"

#include <catch2/catch.hpp>

using withy::JsonFile;

namespace {

std::string place(const JsonFile& file, const std::string& pointer) {
  const auto error = file.error_at(pointer, "p", "r");
  return std::to_string(error.line) + ":" + std::to_string(error.column);
}

std::string refusal(const std::string& text) {
  const auto file = JsonFile::parse(text, "t.json");
  return file ? "" : file.error().message();
}

}  // namespace

TEST_CASE("Every kind of value is found where it starts") {
  const auto file = JsonFile::parse(
      "{ \"n\": 12.5,\n"
      "  \"s\": \"a \\\"q\\\" \\\\\", \"t\": true,\n"
      "  \"list\": [1, -2e3 ,\"x\", null, {\"k~/\": false}],\n"
      "  \"last\": 7}",
      "t.json");
  REQUIRE(file);
  CHECK(place(*file, "") == "1:1");
  CHECK(place(*file, "/n") == "1:8");
  CHECK(place(*file, "/s") == "2:8");
  CHECK(place(*file, "/t") == "2:27");
  CHECK(place(*file, "/list") == "3:11");
  CHECK(place(*file, "/list/0") == "3:12");
  CHECK(place(*file, "/list/1") == "3:15");
  CHECK(place(*file, "/list/2") == "3:21");
  CHECK(place(*file, "/list/3") == "3:26");
  CHECK(place(*file, "/list/4") == "3:32");
  CHECK(place(*file, "/list/4/k~0~1") == "3:40");
  CHECK(place(*file, "/last") == "4:11");
  CHECK(place(*file, "/list/4/absent") == "3:32");  // the nearest that is there
}

TEST_CASE("A lone number at the end of the text is found too") {
  CHECK(place(*JsonFile::parse("  42", "t.json"), "") == "1:3");
}

TEST_CASE("Broken JSON is refused where it breaks") {
  CHECK(refusal("{\"a\": 1,\n \"b\" 2}").starts_with("t.json:2:6: this is no JSON: "));
  CHECK(refusal("{\"a\": 1").starts_with("t.json:1:8: this is no JSON: "));
  CHECK(refusal("").starts_with("t.json:1:1: this is no JSON: "));
  CHECK(refusal("[1e999]").starts_with("t.json:1:"));
  CHECK(refusal("[1] x").starts_with("t.json:1:5: "));
  CHECK(refusal("{\"a\": 1,\n \"b\" 2}").find('\n') == std::string::npos);
}

// RFC 8259, section 4: names within an object should be unique, and readers differ where they are not.
TEST_CASE("A key that stands twice in an object is refused where it stands again") {
  CHECK(refusal("{\"a\": 1,\n \"b\": {\"a\": 2}, \"a\": 3}") ==
        "t.json:2:17: the key \"a\" stands twice, leave one of the two out");
  CHECK(refusal("{\"a\": 1, \"\\u0061\": 2}").starts_with("t.json:1:10: the key \"a\" stands twice"));
  CHECK(refusal("[{\"a\": 1}, {\"a\": 2}]").empty());
}

TEST_CASE("The first fault of meaning is kept, with its place") {
  auto file = JsonFile::parse("{\"a\": \"x\",\n \"b\": [1, true], \"extra\": 0}", "t.json");
  REQUIRE(file);
  const auto root = file->root();
  CHECK_FALSE(file->first_fault());
  CHECK(root.at("b").numbers() == std::vector<double>{1.0, 0.0});
  root.at("a").number();
  root.at("missing");
  REQUIRE(file->first_fault());
  CHECK(file->first_fault()->message() ==
        "t.json:2:11: true or false stands where a number belongs, give a number");
}

TEST_CASE("Unknown and missing keys are faults") {
  auto unknown = JsonFile::parse("{\"a\": 1,\n \"extra\": 0}", "t.json");
  unknown->root().expect_keys({"a"});
  CHECK(unknown->first_fault()->message() == "t.json:2:11: the key \"extra\" is unknown, leave it out");
  auto missing = JsonFile::parse("{\"a\": 1}", "t.json");
  missing->root().expect_keys({"a", "b"}, {"c"});
  CHECK(missing->first_fault()->message() == "t.json:1:1: the key \"b\" is missing, give it");
}

TEST_CASE("Counts are whole and not negative") {
  for (const std::string bad : {"-1", "1.5", "\"1\"", "5000000000", "null"}) {
    auto file = JsonFile::parse(bad, "t.json");
    file->root().count();
    CAPTURE(bad);
    CHECK(file->first_fault());
  }
  auto good = JsonFile::parse("12", "t.json");
  CHECK(good->root().count() == 12);
  CHECK_FALSE(good->first_fault());
}
