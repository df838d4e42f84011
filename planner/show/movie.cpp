// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/show/movie.h"

#include <algorithm>
#include <cassert>
#include <cmath>
#include <cstdlib>
#include <string_view>
#include <vector>

#include <fmt/format.h>

#include "planner/motion/action.h"
#include "planner/segment/shape.h"

namespace withy {
namespace {

// Points along the body: a bend of half a turn over the whole of it strays by a thousandth of its length
// between two.
constexpr int kBodyPoints = 36;

constexpr const char* kMovieInk = "#1c2430";
constexpr const char* kMovieFree = "#f2b53b";
constexpr const char* kMovieFrozen = "#1f4878";
constexpr const char* kMovieHeld = "#171c24";
constexpr const char* kOpen = "#ffffff";

/// Motions are as long as they move the body: insertion, and the way of the tip that a bend makes.
double length_of(const Design& design, const State& from, const State& to) {
  const double bend = (to.u_free - from.u_free).norm() * design.length_mm() * design.length_mm() / 2.0;
  return std::abs(to.insertion_mm - from.insertion_mm) + 0.5 * bend;
}

/// The states to show, one for each frame. Motions share the frames by their lengths.
std::vector<State> frames_of(const Design& design, const Plan& plan) {
  double whole = 0.0;
  int switches = 0;
  for (const PlannedAction& action : plan.actions) {
    const State& from = plan.states[static_cast<std::size_t>(action.from)];
    whole += length_of(design, from, plan.states[static_cast<std::size_t>(action.to)]);
    switches += action.lock >= 0 ? 1 : 0;
  }
  const int moving = std::max(8, kMovieFrames - kMovieSwitchFrames * switches);
  std::vector<State> frames;
  for (const PlannedAction& action : plan.actions) {
    const State& from = plan.states[static_cast<std::size_t>(action.from)];
    const State& to = plan.states[static_cast<std::size_t>(action.to)];
    if (action.lock >= 0) {
      for (int i = 0; i < kMovieSwitchFrames; ++i) frames.push_back(2 * i < kMovieSwitchFrames ? from : to);
      continue;
    }
    const double share = whole > 0.0 ? length_of(design, from, to) / whole : 0.0;
    const int count = std::max(1, static_cast<int>(std::lround(share * moving)));
    for (int i = 0; i < count; ++i) frames.push_back(interpolate(from, to, static_cast<double>(i) / count));
  }
  frames.push_back(plan.states[static_cast<std::size_t>(plan.actions.back().to)]);
  return frames;
}

class MovieWriter {
 public:
  MovieWriter(const PictureInput& input, const PictureView& view)
      : design_(input.design), view_(view), frames_(frames_of(input.design, *input.answer.plan)) {}

  std::string group() const {
    const double width = 2.0 * design_.segment().radius_mm * view_.points_per_mm();
    std::string out = "<g fill=\"none\" stroke-linecap=\"round\" stroke-linejoin=\"round\">\n";
    const auto whole = [&](const State& state) { return course(state, before(state), design_.length_mm()); };
    out += moving_path(whole, kMovieInk, width + 3.0, "");
    out += moving_path(whole, kMovieFree, width, "");
    const auto frozen = [&](const State& state) { return course(state, before(state), frozen_to(state)); };
    out += moving_path(frozen, kMovieFrozen, width, " stroke-linecap=\"butt\"");
    for (int lock = 0; lock < design_.lock_count(); ++lock) out += moving_lock(lock);
    return out + "</g>\n";
  }

 private:
  /// Where the shown part begins: a little before the entry.
  double before(const State& state) const {
    return design_.length_mm() - state.insertion_mm - 0.12 * design_.length_mm();
  }

  double frozen_to(const State& state) const {
    const auto regions = regions_of(design_, state);
    return regions.size() > 1 ? std::max(before(state), regions.back().from_mm) : before(state);
  }

  std::string course(const State& state, double from_mm, double to_mm) const {
    const Shape shape(design_, state);
    std::string path;
    for (int i = 0; i < kBodyPoints; ++i) {
      const PicturePoint p =
          view_.project(shape.point_E(from_mm + (to_mm - from_mm) * i / (kBodyPoints - 1)));
      path += fmt::format("{}{:.1f} {:.1f}", i == 0 ? "M" : i == 1 ? " L" : " ", p.x, p.y);
    }
    return path;
  }

  std::string timing() const {
    return fmt::format("dur=\"{:g}s\" repeatCount=\"indefinite\"", kMovieSeconds);
  }

  template <class Course>
  std::string moving_path(const Course& course_of, const char* tone, double width,
                          const std::string& more) const {
    std::string values;
    for (const State& state : frames_) {
      if (!values.empty()) values += ';';
      values += course_of(state);
    }
    return fmt::format(
        "<path d=\"{}\" stroke=\"{}\" stroke-width=\"{:.2f}\"{}><animate attributeName=\"d\" {} "
        "values=\"{}\"/></path>\n",
        course_of(frames_.front()), tone, width, more, timing(), values);
  }

  std::string moving_lock(int lock) const {
    const RigidSpan& span = design_.rigid_spans()[static_cast<std::size_t>(lock)];
    const double width = 2.0 * design_.body_radius(design_.station_mm(lock)) * view_.points_per_mm();
    std::string values, tones;
    for (const State& state : frames_) {
      const Shape shape(design_, state);
      const PicturePoint a = view_.project(shape.point_E(span.from_mm));
      const PicturePoint b = view_.project(shape.point_E(span.to_mm));
      values += fmt::format("{}M{:.1f} {:.1f} L{:.1f} {:.1f}", values.empty() ? "" : ";", a.x, a.y, b.x, b.y);
      if (!tones.empty()) tones += ';';
      tones += state.engaged.test(static_cast<std::size_t>(lock)) ? kMovieHeld : kOpen;
    }
    const std::string place =
        fmt::format("<animate attributeName=\"d\" {} values=\"{}\"/>", timing(), values);
    const std::string first = values.substr(0, values.find(';'));
    return fmt::format(
        "<path d=\"{}\" stroke=\"{}\" stroke-width=\"{:.2f}\" stroke-linecap=\"butt\">{}</path>"
        "<path d=\"{}\" stroke=\"{}\" stroke-width=\"{:.2f}\" stroke-linecap=\"butt\">{}<animate "
        "attributeName=\"stroke\" calcMode=\"discrete\" {} values=\"{}\"/></path>\n",
        first, kMovieInk, width + 3.0, place, first, kOpen, width, place, timing(), tones);
  }

  const Design& design_;
  const PictureView& view_;
  std::vector<State> frames_;
};

std::string without(const std::string& text, std::string_view word) {
  std::string out;
  std::size_t at = 0;
  for (std::size_t next = text.find(word); next != std::string::npos; next = text.find(word, at)) {
    out.append(text, at, next - at);
    at = next + word.size();
  }
  return out.append(text, at);
}

/// "rgb(88%,90%,91%)" as the nearest of the colours that a screen has, "#e0e6e8".
std::string with_short_colours(const std::string& svg) {
  constexpr std::string_view kColour = "rgb(";
  std::string out;
  std::size_t at = 0;
  for (std::size_t next = svg.find(kColour); next != std::string::npos; next = svg.find(kColour, at)) {
    out.append(svg, at, next - at);
    out += '#';
    at = next + kColour.size();
    for (int part = 0; part < 3; ++part) {
      out += fmt::format("{:02x}", std::lround(2.55 * std::strtod(svg.c_str() + at, nullptr)));
      at = svg.find_first_of(",)", at) + 1;
    }
  }
  return out.append(svg, at);
}

/// The same drawing without what its styles say of properties that have these values anyway (W3C, "SVG 1.1",
/// property index) and that nothing about the paths sets otherwise. Corners are round, so no mitre is cut.
std::string with_short_styles(std::string svg) {
  for (const std::string_view initial : {"fill-rule:nonzero;", "fill-opacity:1;", "stroke-linecap:butt;",
                                         "stroke-opacity:1;", "stroke-miterlimit:10;"})
    svg = without(svg, initial);
  return with_short_colours(svg);
}

std::string one_digit(const std::string& number) {
  const std::string text = fmt::format("{:.1f}", std::strtod(number.c_str(), nullptr));
  return text.ends_with(".0") ? text.substr(0, text.size() - 2) : text;
}

/// The same drawing with one digit behind each point in its path data, a twentieth of a point off at most:
/// the wall's many faces take less than half the bytes.
std::string with_short_numbers(const std::string& svg) {
  constexpr std::string_view kData = " d=\"";
  std::string out;
  std::size_t at = 0;
  while (true) {
    const std::size_t data = svg.find(kData, at);
    if (data == std::string::npos) return out + svg.substr(at);
    out += svg.substr(at, data + kData.size() - at);
    at = data + kData.size();
    const std::size_t end = svg.find('"', at);
    // A move after the last face's end draws nothing.
    const std::size_t closed = svg.rfind(" Z M ", end);
    const bool idle =
        closed != std::string::npos && closed >= at && svg.find_first_of("LCZ", closed + 3) >= end;
    for (const std::size_t last = idle ? closed + 2 : end; at < last;) {
      const std::size_t word = std::min(last, svg.find_first_of(" \"", at));
      const std::string token = svg.substr(at, word - at);
      out += token.find('.') == std::string::npos ? token : one_digit(token);
      if (word < last) out += ' ';
      at = std::min(last, word + 1);
    }
    at = end;
  }
}

}  // namespace

std::string draw_movie(const PictureInput& input) {
  assert(input.answer.plan.has_value());
  auto [svg, view] = draw_backdrop(input);
  const std::size_t end = svg.rfind("</svg>");
  assert(end != std::string::npos);
  return with_short_styles(with_short_numbers(svg.substr(0, end))) + MovieWriter(input, view).group() +
         svg.substr(end);
}

}  // namespace withy
