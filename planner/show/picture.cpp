// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/show/picture.h"

#include <algorithm>
#include <cmath>
#include <utility>
#include <vector>

#include <fmt/core.h>

#include "geometry/numbers/numbers.h"
#include "planner/files/cautions.h"
#include "planner/segment/shape.h"
#include "planner/show/display_mesh.h"
#include "planner/show/picture_names.h"
#include "planner/show/picture_tones.h"
#include "planner/show/picture_view.h"
#include "planner/show/picture_wall.h"

namespace withy {
namespace {

constexpr double kPathStep_mm = 0.5;
// How much of the body before the entry is shown, as a share of its length.
constexpr double kShownBefore = 0.12;

constexpr Tone kFree = {0.95, 0.71, 0.23};
constexpr Tone kFrozen = {0.12, 0.28, 0.47};
constexpr Tone kGroove = {0.56, 0.67, 0.80};
constexpr Tone kShaft = {0.55, 0.58, 0.61};
constexpr Tone kHeld = {0.09, 0.11, 0.14};
constexpr Tone kEarlier = {0.55, 0.60, 0.64};

class Painter {
 public:
  Painter(const PictureInput& input, PictureCanvas& canvas)
      : input_(input),
        canvas_(canvas),
        wall_(make_display_mesh(input.channel, kPictureTriangles).wall_E),
        view_(wall_, {input.scene.target_point_E(), {0.0, 0.0, -kShownBefore * input.design.length_mm()}},
              input.scene.target_point_E(), kPictureFrame),
        names_(canvas, 42.0, 34.0) {}

  void draw() {
    canvas_.fill_all(kPaper);
    draw_far_wall(canvas_, view_, wall_);
    for (const State& state : earlier_states()) draw_earlier(state);
    const State* state = shown_state();
    if (state) draw_body(*state);
    draw_wall_outline(canvas_, view_, wall_);
    draw_target();
    draw_stop();
    if (state) name_parts(*state);
    draw_words();
    draw_key({40.0, kPictureHeight - 58.0});
    draw_scale_bar(canvas_, view_);
  }

  void draw_without_body() {
    canvas_.fill_all(kPaper);
    draw_far_wall(canvas_, view_, wall_);
    draw_wall_outline(canvas_, view_, wall_);
    draw_target();
    names_.put(view_.project(Eigen::Vector3d::Zero()), "entry", 1, kInkSoft);
    draw_words();
    draw_key({40.0, kPictureHeight - 58.0});
    draw_scale_bar(canvas_, view_);
  }

  const PictureView& view() const { return view_; }

 private:
  const State* shown_state() const {
    const Answer& answer = input_.answer;
    if (answer.plan) return &answer.plan->states[static_cast<std::size_t>(answer.plan->reached_state)];
    return answer.approach ? &answer.approach->state : nullptr;
  }

  /// Where each motion of the way in ends, but for the last.
  std::vector<State> earlier_states() const {
    std::vector<State> states;
    if (!input_.answer.plan) return states;
    const Plan& plan = *input_.answer.plan;
    for (const PlannedAction& action : plan.actions) {
      if (action.leg == Leg::out || action.to == plan.reached_state) break;
      if (action.lock < 0) states.push_back(plan.states[static_cast<std::size_t>(action.to)]);
    }
    return states;
  }

  // The body.

  double length_mm() const { return input_.design.length_mm(); }
  double points(double mm) const { return mm * view_.points_per_mm(); }
  double body_width() const { return points(2.0 * input_.design.segment().radius_mm); }
  bool is_held(const State& state, int lock) const {
    return state.engaged.test(static_cast<std::size_t>(lock));
  }

  double first_shown_station(const State& state) const {
    return length_mm() - state.insertion_mm - kShownBefore * length_mm();
  }

  std::vector<PicturePoint> course(const Shape& shape, double from_mm, double to_mm) const {
    std::vector<PicturePoint> out;
    const int steps = std::max(1, static_cast<int>(std::ceil((to_mm - from_mm) / kPathStep_mm)));
    for (int i = 0; i <= steps; ++i)
      out.push_back(view_.project(shape.point_E(from_mm + (to_mm - from_mm) * i / steps)));
    return out;
  }

  void draw_earlier(const State& state) {
    const Shape shape(input_.design, state);
    canvas_.line(course(shape, first_shown_station(state), length_mm()),
                 {.width = body_width(), .tone = kEarlier, .alpha = 0.28, .end = LineEnd::round});
  }

  void draw_body(const State& state) {
    const Shape shape(input_.design, state);
    const double from = first_shown_station(state);
    canvas_.line(course(shape, from, length_mm()),
                 {.width = body_width() + 3.0, .tone = kInk, .end = LineEnd::round});
    if (from < 0.0) canvas_.line(course(shape, from, 0.0), {.width = body_width(), .tone = kShaft});
    for (const Region& region : shape.regions()) {
      const double begin = std::max(region.from_mm, from);
      if (region.to_mm > begin) draw_region(shape, region, begin);
    }
    for (int i = 0; i < input_.design.lock_count(); ++i)
      if (input_.design.station_mm(i) > from) draw_lock(shape, i, is_held(state, i));
  }

  void draw_region(const Shape& shape, const Region& region, double from_mm) {
    const auto line = course(shape, from_mm, region.to_mm);
    if (!region.frozen()) {
      canvas_.line(line, {.width = body_width(), .tone = kFree, .end = LineEnd::round});
      return;
    }
    const double rib_mm = std::max(0.8 * input_.design.segment().radius_mm, length_mm() / 120.0);
    canvas_.line(line, {.width = body_width(), .tone = kFrozen});
    canvas_.line(line, {.width = body_width(), .tone = kGroove, .dash = points(rib_mm)});
  }

  void draw_lock(const Shape& shape, int lock, bool held) {
    const RigidSpan& span = input_.design.rigid_spans()[static_cast<std::size_t>(lock)];
    const double width = points(2.0 * input_.design.body_radius(input_.design.station_mm(lock)));
    const double edge_mm = 1.2 / view_.points_per_mm();
    const auto band = [&](double from_mm, double to_mm, const Tone& tone) {
      canvas_.line(course(shape, from_mm, to_mm), {.width = width + 3.0, .tone = kInk});
      canvas_.line(course(shape, from_mm + edge_mm, to_mm - edge_mm), {.width = width, .tone = tone});
    };
    if (held) {
      band(span.from_mm, span.to_mm, kHeld);
      return;
    }
    const double rim_mm = 0.28 * (span.to_mm - span.from_mm);
    band(span.from_mm, span.from_mm + rim_mm, kPaper);
    band(span.to_mm - rim_mm, span.to_mm, kPaper);
  }

  void draw_target() {
    const PicturePoint c = view_.project(input_.scene.target_point_E());
    const double r = std::max(4.0, points(input_.scene.target.tolerance_mm));
    const LineStyle style = {.width = 2.0, .tone = kTarget};
    canvas_.circle(c, r, style);
    canvas_.segments({{c.x - 1.5 * r, c.y}, {c.x + 1.5 * r, c.y}, {c.x, c.y - 1.5 * r}, {c.x, c.y + 1.5 * r}},
                     style);
    names_.put(c, fmt::format("target ± {:.1f} mm", input_.scene.target.tolerance_mm), 1, kTarget);
  }

  /// Where the tip comes to a stop: a cross in a ring.
  void draw_stop() {
    const auto& depth = input_.answer.depth;
    if (!depth || !depth->stops_short()) return;
    const PicturePoint c = view_.project(depth->place_E);
    const double r = std::max(5.0, points(1.2 * input_.design.segment().radius_mm));
    const double a = r / std::sqrt(2.0);
    const LineStyle style = {.width = 2.5, .tone = kInk};
    canvas_.circle(c, r, style);
    canvas_.segments({{c.x - a, c.y - a}, {c.x + a, c.y + a}, {c.x - a, c.y + a}, {c.x + a, c.y - a}}, style);
    names_.put(c, fmt::format("no tip gets past {:.1f} mm deep", depth->at_most_mm), -1, kInk);
  }

  // Names and words.

  void name_parts(const State& state) {
    const Shape shape(input_.design, state);
    const double from = first_shown_station(state);
    for (const Region& region : shape.regions()) {
      const double begin = std::max(region.from_mm, from);
      if (region.to_mm <= begin) continue;
      names_.put(view_.project(shape.point_E(0.5 * (begin + region.to_mm))),
                 fmt::format("{} {:.0f}°", region.frozen() ? "frozen" : "free", degrees(region.theta.norm())),
                 -1, kInk);
    }
    for (int i = 0; i < input_.design.lock_count(); ++i) {
      const double station = input_.design.station_mm(i);
      if (station <= from) continue;
      names_.put(view_.project(shape.point_E(station)),
                 fmt::format("lock {} {}", i + 1, is_held(state, i) ? "held" : "open"), 1, kInk);
    }
    names_.put(view_.project(Eigen::Vector3d::Zero()), "entry", 1, kInkSoft);
  }

  std::string caption() const {
    const Answer& answer = input_.answer;
    if (!answer.plan) return answer.approach ? "drawn at the nearest state that was found" : "";
    const auto inward = std::count_if(answer.plan->actions.begin(), answer.plan->actions.end(),
                                      [](const PlannedAction& a) { return a.leg == Leg::in; });
    return fmt::format("clearance {:.2f} mm, required {:.2f} mm; {} actions in, {} out; pale: on the way in",
                       answer.plan->clearance_mm, input_.scene.required_clearance_mm, inward,
                       static_cast<std::ptrdiff_t>(answer.plan->actions.size()) - inward);
  }

  void draw_words() {
    const int locks = input_.answer.locks;
    const std::string count = locks == 0 ? "no lock" : fmt::format("{} lock{}", locks, locks == 1 ? "" : "s");
    const std::string verdict = fmt::format("{} with {}", name_of(input_.answer.verdict), count);
    canvas_.words({40.0, 46.0}, input_.scene.title, 24.0, kInk, true);
    canvas_.words({40.0, 76.0}, verdict, 17.0, kInk, true);
    canvas_.words({58.0 + canvas_.width_of(verdict, 17.0, true), 76.0}, caption(), 15.0, kInkSoft);
    canvas_.words({40.0, kPictureHeight - 22.0}, std::string(kCautions.front()), 13.0, kInkSoft);
  }

  /// The signs and what they mean, in one line.
  void draw_key(PicturePoint at) {
    const auto band = [&](double from, double to, double half, const Tone& tone) {
      const double y = at.y - 5.0;
      canvas_.area(
          {{at.x + from, y - half}, {at.x + to, y - half}, {at.x + to, y + half}, {at.x + from, y + half}},
          tone, kInk, 1.2);
    };
    const auto word = [&](const std::string& text) {
      canvas_.words({at.x + 44.0, at.y}, text, kNameSize, kInk);
      at.x += 72.0 + canvas_.width_of(text, kNameSize);
    };
    band(0.0, 36.0, 6.0, kFree);
    word("free");
    for (int i = 0; i < 4; ++i) band(9.0 * i, 9.0 * i + 9.0, 6.0, i % 2 == 0 ? kFrozen : kGroove);
    word("frozen");
    band(0.0, 36.0, 4.0, kShaft);
    band(11.0, 25.0, 8.0, kHeld);
    word("lock held");
    band(0.0, 36.0, 4.0, kShaft);
    band(10.0, 14.0, 8.0, kPaper);
    band(22.0, 26.0, 8.0, kPaper);
    word("lock open");
  }

  const PictureInput& input_;
  PictureCanvas& canvas_;
  TriangleMesh wall_;
  PictureView view_;
  PictureNames names_;
};

}  // namespace

std::optional<PictureFormat> picture_format(const std::filesystem::path& file) {
  if (file.extension() == ".svg") return PictureFormat::svg;
  if (file.extension() == ".png") return PictureFormat::png;
  return std::nullopt;
}

Backdrop draw_backdrop(const PictureInput& input) {
  PictureCanvas canvas(PictureFormat::svg);
  Painter painter(input, canvas);
  painter.draw_without_body();
  return {canvas.finish(), painter.view()};
}

std::string draw_picture(const PictureInput& input, PictureFormat format) {
  PictureCanvas canvas(format);
  Painter(input, canvas).draw();
  return canvas.finish();
}

}  // namespace withy
