// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/show/channel_picture.h"

#include <algorithm>
#include <cmath>
#include <optional>
#include <vector>

#include <fmt/core.h>

#include "geometry/channel/mouths.h"
#include "planner/files/cautions.h"
#include "planner/files/words.h"
#include "planner/scene/places.h"
#include "planner/show/channel_report.h"
#include "planner/show/display_mesh.h"
#include "planner/show/picture_names.h"
#include "planner/show/picture_tones.h"
#include "planner/show/picture_view.h"
#include "planner/show/picture_wall.h"

namespace withy {
namespace {

constexpr Tone kMiddle = {0.12, 0.28, 0.47};
constexpr Tone kNarrow = {0.70, 0.20, 0.13};

class ChannelPainter {
 public:
  ChannelPainter(const Scene& scene, const Channel& channel, const Centreline& centreline,
                 PictureCanvas& canvas)
      : scene_(scene),
        channel_(channel),
        centreline_(centreline),
        canvas_(canvas),
        wall_(make_display_mesh(channel, kPictureTriangles).wall_E),
        view_(wall_, {scene.target_point_E(), {0.0, 0.0, 0.0}}, scene.target_point_E(), kPictureFrame),
        names_(canvas, 36.0, 26.0) {}

  void draw() {
    canvas_.fill_all(kPaper);
    draw_far_wall(canvas_, view_, wall_);
    draw_wall_outline(canvas_, view_, wall_);
    for (const CentrelineBranch& branch : centreline_.branches) {
      std::vector<PicturePoint> line;
      for (const CentrelinePoint& q : branch.points) line.push_back(view_.project(q.p_E));
      canvas_.line(line, {.width = 1.6, .tone = kMiddle, .end = LineEnd::round});
    }
    draw_target();
    name_openings();
    name_narrowest();
    name_branches();
    draw_words();
    draw_scale_bar(canvas_, view_);
  }

 private:
  void draw_target() {
    const PicturePoint c = view_.project(scene_.target_point_E());
    const double r = std::max(5.0, scene_.target.tolerance_mm * view_.points_per_mm());
    const LineStyle style = {.width = 2.2, .tone = kTarget};
    canvas_.circle(c, r, style);
    canvas_.segments({{c.x - 1.5 * r, c.y}, {c.x + 1.5 * r, c.y}, {c.x, c.y - 1.5 * r}, {c.x, c.y + 1.5 * r}},
                     style);
    names_.put(c, "target", 1, kTarget);
  }

  void name_openings() {
    const std::vector<int> order = numbered_openings(channel_);
    for (std::size_t n = 0; n < order.size(); ++n) {
      const Opening& opening = channel_.openings[static_cast<std::size_t>(order[n])];
      const PicturePoint c = view_.project(opening.centre_E);
      canvas_.circle(c, 4.0, {.width = 2.0, .tone = kInk});
      names_.put(c, fmt::format("opening:{}{}", n + 1, opening.is_entry ? " (entry)" : ""), -1, kInk);
      if (opening.is_entry) draw_entry_axis();
    }
  }

  void draw_entry_axis() {
    const double length_mm = 40.0 / view_.points_per_mm();
    const PicturePoint from = view_.project({0.0, 0.0, -length_mm});
    const PicturePoint to = view_.project({0.0, 0.0, 0.0});
    const double dx = to.x - from.x;
    const double dy = to.y - from.y;
    const double l = std::hypot(dx, dy);
    canvas_.line({from, to}, {.width = 2.2, .tone = kInk});
    if (l < 8.0) return;
    const double x = dx / l * 9.0;
    const double y = dy / l * 9.0;
    canvas_.area({to, {to.x - x - 0.5 * y, to.y - y + 0.5 * x}, {to.x - x + 0.5 * y, to.y - y - 0.5 * x}},
                 kInk, kInk, 0.0);
  }

  void name_narrowest() {
    const std::optional<LinePlace> least = narrowest_place(centreline_);
    if (!least) return;
    const PicturePoint c = view_.project(least->at.p_E);
    canvas_.circle(c, std::max(3.0, least->at.radius_mm * view_.points_per_mm()),
                   {.width = 2.0, .tone = kNarrow});
    names_.put(c, fmt::format("narrowest {:.2f} mm", least->at.radius_mm), 1, kNarrow);
  }

  /// Each branch's number, at four fifths of it.
  void name_branches() {
    for (std::size_t b = 0; b < centreline_.branches.size(); ++b) {
      const auto& points = centreline_.branches[b].points;
      if (points.empty()) continue;
      const PicturePoint c = view_.project(points[points.size() * 4 / 5].p_E);
      canvas_.words({c.x + 4.0, c.y - 4.0}, fmt::format("{}", b + 1), kNameSize, kMiddle, true);
    }
  }

  void draw_words() {
    canvas_.words({40.0, 46.0}, scene_.title, 24.0, kInk, true);
    const std::string text = fmt::format(
        "{}, {}; numbers along the lines are branches", count_of(channel_.openings.size(), "opening"),
        centreline_.branches.size() == 1 ? std::string("1 branch")
                                         : fmt::format("{} branches", centreline_.branches.size()));
    canvas_.words({40.0, 76.0}, text, 15.0, kInkSoft);
    canvas_.words({40.0, kPictureHeight - 22.0}, std::string(kCautions.front()), 13.0, kInkSoft);
  }

  const Scene& scene_;
  const Channel& channel_;
  const Centreline& centreline_;
  PictureCanvas& canvas_;
  TriangleMesh wall_;
  PictureView view_;
  PictureNames names_;
};

}  // namespace

std::string draw_channel(const Scene& scene, const Channel& channel, const Centreline& centreline,
                         PictureFormat format) {
  PictureCanvas canvas(format);
  ChannelPainter(scene, channel, centreline, canvas).draw();
  return canvas.finish();
}

}  // namespace withy
