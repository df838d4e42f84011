// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/show/picture.h"

#include <regex>

#include <catch2/catch.hpp>

#include "planner/show/picture_view.h"
#include "tests/support/bench_plan.h"

using Catch::Matchers::WithinAbs;
using withy_test::Bench;

namespace {

/// A box with its corners as vertices.
withy::TriangleMesh box(const Eigen::Vector3d& size) {
  withy::TriangleMesh mesh;
  for (int i = 0; i < 8; ++i)
    mesh.vertices.emplace_back(i & 1 ? size.x() : 0.0, i & 2 ? size.y() : 0.0, i & 4 ? size.z() : 0.0);
  return mesh;
}

unsigned big_endian(const std::string& bytes, std::size_t at) {
  unsigned value = 0;
  for (std::size_t i = 0; i < 4; ++i) value = 256 * value + static_cast<unsigned char>(bytes[at + i]);
  return value;
}

std::string drawn(const Bench& bench, withy::PictureFormat format) {
  const auto channel = withy::read_channel(bench.scene());
  const withy::Answer answer = bench.answer();
  return withy::draw_picture({bench.scene(), **channel, bench.design(), answer}, format);
}

}  // namespace

TEST_CASE("A view lays the longest side across, the shortest towards the eye, and fills its frame") {
  // Worked by hand: 100 x 20 fits 500 x 300 at 5 points a millimetre, and stands in the middle of the height.
  const withy::PictureFrame frame = {10.0, 20.0, 500.0, 300.0};
  const withy::PictureView view(box({10.0, 20.0, 100.0}), {}, {0.0, 1.0, 1.0}, frame);
  CHECK_THAT(view.points_per_mm(), WithinAbs(5.0, 1e-9));
  CHECK_THAT(std::abs(view.towards_eye_E().x()), WithinAbs(1.0, 1e-9));
  const auto entry = view.project({0.0, 0.0, 0.0});
  CHECK_THAT(entry.x, WithinAbs(10.0, 1e-9));
  CHECK_THAT(entry.y, WithinAbs(20.0 + 150.0 + 50.0, 1e-9));
  const auto far = view.project({0.0, 20.0, 100.0});
  CHECK_THAT(far.x, WithinAbs(510.0, 1e-9));
  CHECK_THAT(far.y, WithinAbs(20.0 + 150.0 - 50.0, 1e-9));
}

TEST_CASE("A view makes room for points beyond the wall") {
  const withy::PictureFrame frame = {0.0, 0.0, 400.0, 400.0};
  const withy::PictureView view(box({10.0, 20.0, 100.0}), {{5.0, 10.0, -100.0}}, {0.0, 1.0, 1.0}, frame);
  CHECK_THAT(view.points_per_mm(), WithinAbs(2.0, 1e-9));
  CHECK_THAT(view.project({0.0, 0.0, -100.0}).x, WithinAbs(0.0, 1e-9));
}

TEST_CASE("The picture's form follows the file's ending") {
  CHECK(withy::picture_format("plan.svg") == withy::PictureFormat::svg);
  CHECK(withy::picture_format("folder.svg/plan.png") == withy::PictureFormat::png);
  CHECK_FALSE(withy::picture_format("plan.jpeg"));
  CHECK_FALSE(withy::picture_format("plan"));
}

TEST_CASE("A PNG picture has the signature, size and end that ISO/IEC 15948 asks for") {
  const std::string png = drawn(Bench(), withy::PictureFormat::png);
  REQUIRE(png.size() > 1000);
  CHECK(png.substr(0, 8) == "\x89PNG\r\n\x1a\n");
  CHECK(png.substr(12, 4) == "IHDR");
  CHECK(big_endian(png, 16) == 2400);
  CHECK(big_endian(png, 20) == 1440);
  CHECK(png.substr(png.size() - 8, 4) == "IEND");
}

TEST_CASE("An SVG picture is one drawing, small, and the same each time") {
  const Bench bench;
  const std::string svg = drawn(bench, withy::PictureFormat::svg);
  CHECK(svg.substr(0, 5) == "<?xml");
  CHECK(svg.substr(svg.size() - 7) == "</svg>\n");
  CHECK(svg.size() < 2000000);
  // As answers, not as expressions: a failure should not print the whole drawing.
  const bool has_only_numbers = !std::regex_search(svg, std::regex("[\" ](nan|inf|-nan|-inf)[\" ]"));
  CHECK(has_only_numbers);
  // cairo numbers the drawings that one process makes.
  const std::regex number("id=\"surface[0-9]+\"");
  const std::string again = drawn(bench, withy::PictureFormat::svg);
  const bool same_again = std::regex_replace(svg, number, "") == std::regex_replace(again, number, "");
  CHECK(same_again);
}
