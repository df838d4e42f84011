// SPDX-License-Identifier: GPL-3.0-or-later
// The moving picture, read back as text: every frame of a path has the same form (SVG 1.1, 19.2.2: path data
// can only be animated between lists of the same commands), the first is the last, and the body is at the
// target in between.
#include "planner/show/movie.h"

#include <regex>
#include <sstream>
#include <vector>

#include <catch2/catch.hpp>

#include "tests/support/bench_plan.h"

namespace {

using withy_test::Bench;

struct Frame {
  std::vector<double> numbers;
  std::string commands;
};

Frame frame_of(const std::string& path) {
  Frame frame;
  for (const char c : path)
    if (c == 'M' || c == 'L') frame.commands += c;
  std::istringstream in(std::regex_replace(path, std::regex("[ML]"), " "));
  for (double number; in >> number;) frame.numbers.push_back(number);
  return frame;
}

/// The frames of each animated path, in order.
std::vector<std::vector<Frame>> animations_of(const std::string& svg) {
  std::vector<std::vector<Frame>> all;
  const std::string mark = "attributeName=\"d\"";
  for (std::size_t at = svg.find(mark); at != svg.npos; at = svg.find(mark, at + 1)) {
    const std::size_t from = svg.find("values=\"", at) + 8;
    std::istringstream values(svg.substr(from, svg.find('"', from) - from));
    std::vector<Frame> frames;
    for (std::string one; std::getline(values, one, ';');) frames.push_back(frame_of(one));
    all.push_back(std::move(frames));
  }
  return all;
}

}  // namespace

TEST_CASE("A movie's frames fit one another, and lead to the target and back") {
  const Bench bench;
  const auto channel = withy::read_channel(bench.scene());
  const withy::Answer answer = bench.answer();
  const withy::PictureInput input{bench.scene(), **channel, bench.design(), answer};
  const std::string svg = withy::draw_movie(input);
  CHECK(svg.find("<script") == svg.npos);
  CHECK(svg.find("repeatCount=\"indefinite\"") != svg.npos);
  CHECK(svg.size() < 1'000'000);
  const auto animations = animations_of(svg);
  REQUIRE(animations.size() >= 3);
  for (const auto& frames : animations) {
    REQUIRE(frames.size() > 8);
    CHECK(frames.size() == animations.front().size());
    for (const Frame& frame : frames) {
      CHECK(frame.commands == frames.front().commands);
      CHECK(frame.numbers.size() == frames.front().numbers.size());
    }
    CHECK(frames.front().numbers == frames.back().numbers);
  }
  // Of the styles of what stands still only initial values are left out (SVG 1.1, property index).
  const std::string still = withy::draw_backdrop(input).svg;
  const auto count = [](const std::string& text, const std::string& word) {
    std::size_t found = 0;
    for (std::size_t at = text.find(word); at != text.npos; at = text.find(word, at + 1)) ++found;
    return found;
  };
  for (const char* kept :
       {"<path", "fill:none", "stroke-width:", "stroke-linejoin:round", "stroke-linecap:round", "evenodd"})
    CHECK(count(svg, kept) >= count(still, kept));
  for (const char* property : {"fill-opacity:", "stroke-opacity:"})
    CHECK(count(svg, property) == count(still, property) - count(still, std::string(property) + "1;"));
  CHECK(count(still, "stroke-linejoin:miter") == 0);
  CHECK(count(svg, "fill:#") == count(still, "fill:rgb"));
  CHECK(count(svg, "stroke:#") == count(still, "stroke:rgb"));
  CHECK(count(svg, "fill:#ffffff") >= count(still, "fill:rgb(100%,100%,100%)"));
  // The end of the body comes as near to the target as the plan's, as it is projected.
  const withy::Backdrop backdrop = withy::draw_backdrop(input);
  const auto target = backdrop.view.project(bench.scene().target_point_E());
  double nearest = 1e9;
  for (const Frame& frame : animations.front())
    nearest = std::min(nearest, std::hypot(frame.numbers[frame.numbers.size() - 2] - target.x,
                                           frame.numbers.back() - target.y));
  const auto& reached = answer.plan->states[static_cast<std::size_t>(answer.plan->reached_state)];
  const double off_mm = (reached.tip_E.translation() - bench.scene().target_point_E()).norm();
  CHECK(nearest <= off_mm * backdrop.view.points_per_mm() + 0.1);
}
