// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/show/page.h"

#include <regex>

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include "planner/files/cautions.h"
#include "tests/support/bench_plan.h"

using nlohmann::json;
using withy_test::Bench;

namespace {

std::string page_of(const Bench& bench, const std::string& plan_text, int copies = 1) {
  const auto channel = withy::read_channel(bench.scene());
  const withy::WallDistance wall(*channel);
  const auto display = withy::make_display_mesh(**channel);
  withy::PageInput input{bench.scene(), wall, display, {}};
  for (int i = 0; i < copies; ++i) input.plans.push_back({plan_text, bench.design(), bench.plan()});
  return withy::page_html(input);
}

std::string data_text(const std::string& html) {
  const std::string open = R"(<script type="application/json" id="withy-data">)";
  const std::size_t begin = html.find(open);
  REQUIRE(begin != std::string::npos);
  const std::size_t from = begin + open.size();
  return html.substr(from, html.find("</script>", from) - from);
}

/// This build may have no page; then there is nothing to look at here.
bool no_page() {
  if (const auto missing = withy::page_missing()) {
    WARN(*missing);
    return true;
  }
  return false;
}

}  // namespace

TEST_CASE("A page carries its plans word for word, and the cautions") {
  if (no_page()) return;
  const Bench bench;
  const std::string text = bench.plan_text();
  const auto data = json::parse(data_text(page_of(bench, text, 2)));
  REQUIRE(data["plans"].size() == 2);
  CHECK(data["plans"][1]["plan"] == json::parse(text));
  REQUIRE(data["cautions"].size() == withy::kCautions.size());
  CHECK(data["cautions"][0] == withy::kCautions[0]);
  CHECK(data["plans"][0]["samples"].size() == data["plans"][0]["plan"]["actions"].size());
}

TEST_CASE("No text of a plan can close the page's data or become markup") {
  if (no_page()) return;
  const Bench bench;
  json plan = json::parse(bench.plan_text());
  plan["why"] = "</script><script>alert(1)</script><!-- <b>& \xC2\xB1 %DATA% %TITLE%";
  const std::string data = data_text(page_of(bench, plan.dump()));
  CHECK(data.find('<') == std::string::npos);
  CHECK(json::parse(data)["plans"][0]["plan"]["why"] == plan["why"]);
}

TEST_CASE("A page names nothing that a browser would fetch") {
  if (no_page()) return;
  const Bench bench;
  const std::string html = page_of(bench, bench.plan_text());
  const std::string head = html.substr(0, html.find("<script"));
  CHECK(head.find("default-src 'none'") != std::string::npos);
  // Attributes that load: only the empty icon, which is data.
  std::string rest = html;
  const std::string icon = R"(<link rel="icon" href="data:,">)";
  REQUIRE(rest.find(icon) != std::string::npos);
  rest.erase(rest.find(icon), icon.size());
  rest = rest.substr(0, rest.find("<script type=\"module\">"));
  CHECK_FALSE(std::regex_search(rest, std::regex("(src|href)\\s*=|@import|url\\(")));
}

TEST_CASE("The wall on the page is the channel's, in the scene frame") {
  if (no_page()) return;
  const Bench bench;
  const auto channel = json::parse(data_text(page_of(bench, bench.plan_text())))["channel"];
  // The bench's box: five open-ended sides of two triangles; the entry is a hole.
  CHECK(channel["triangles_in_file"] == 10);
  CHECK(channel["triangles_shown"] == 10);
  CHECK(channel["deviation_mm"].is_null());
  // Eight corners of three floats are 96 bytes, 128 characters of base64 (RFC 4648).
  CHECK(channel["vertices"].get<std::string>().size() == 128);
}
