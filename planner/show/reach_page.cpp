// SPDX-License-Identifier: GPL-3.0-or-later
#include <algorithm>
#include <array>
#include <cmath>
#include <map>
#include <utility>

#include <fmt/core.h>

#include "planner/files/cautions.h"
#include "planner/files/markup.h"
#include "planner/files/words.h"
#include "planner/show/reach_report.h"

namespace withy {

namespace {

constexpr double kViewWidth_px = 600.0;
constexpr double kMargin_px = 26.0;
// Marks of targets from a file are at least this wide; those of a lattice are as wide as its spacing.
constexpr double kLeastMark_px = 7.0;

// Paper, ink and edges as on the pages of plans (tools/page/src/style.css).
constexpr const char* kStyle =
    ":root{color-scheme:light;--paper:#f7f5f0;--panel:#fff;--ink:#1d2530;--soft:#5b6672;--edge:#d9d5cb}"
    "@media screen and (prefers-color-scheme:dark){:root{color-scheme:dark;--paper:#12161c;--panel:#1a2029;"
    "--ink:#e8ebef;--soft:#9da9b5;--edge:#323b47}}"
    "*{box-sizing:border-box}"
    "body{font:15px/1.45 system-ui,\"Segoe UI\",\"Helvetica "
    "Neue\",sans-serif;color:var(--ink);background:var(--"
    "paper);margin:0 auto;max-width:1720px;padding:14px clamp(10px,2vw,28px) 40px}"
    "h1{font-size:1.35rem;font-weight:650;margin:0 0 8px}h2{font-size:1.05rem;font-weight:650;margin:14px 0 "
    "6px}"
    "table{border-collapse:collapse}th,td{padding:.25em .9em;text-align:right;border-bottom:1px solid "
    "var(--edge);font-variant-numeric:tabular-nums}th{color:var(--soft);font-weight:600}"
    ".counts{display:grid;grid-template-columns:repeat(auto-fit,minmax(300px,1fr));gap:14px;align-items:"
    "start}"
    ".counts>section{background:var(--panel);border:1px solid var(--edge);border-radius:10px;padding:8px "
    "12px;break-inside:avoid}"
    "figure{margin:0 0 8px}figcaption{font-size:13px;color:var(--soft)}"
    "svg{max-width:100%;height:auto}figure svg{background:#fff;border-radius:6px}"
    ".cautions{border:2px solid var(--ink);border-radius:8px;padding:.6em 1em .6em 2em;margin:1.2em 0}"
    ".key span{display:inline-block;margin-left:1em}.key svg{vertical-align:middle;margin-right:.3em}"
    "@media (max-width:700px){th,td{padding:.25em .3em}th{font-size:13px}}";

/// A view along one of the entry frame's cross axes: z to the right, the other cross axis up.
struct View {
  int up;  ///< 0: x, 1: y
  const char* name;
};
constexpr View kViews[] = {{0, "x"}, {1, "y"}};

/// What stands at one place of a view, one behind the other.
struct Stack {
  int reached = 0;
  int unreachable = 0;
  int undecided = 0;
  int all() const { return reached + unreachable + undecided; }
};

/// One mark: shade for the share reached, a cross where nothing is, a ring where something is undecided.
std::string mark(double x, double y, double size, const Stack& stack) {
  const double half = 0.5 * size;
  const double share = static_cast<double>(stack.reached) / stack.all();
  std::string out = fmt::format(
      "<rect x=\"{:.2f}\" y=\"{:.2f}\" width=\"{:.2f}\" height=\"{:.2f}\" fill=\"{}\" stroke=\"#8b9098\" "
      "stroke-width=\".5\"/>",
      x - half, y - half, size, size, stack.reached > 0 ? shade(share) : "#ffffff");
  if (stack.reached == 0 && stack.undecided == 0)
    out += fmt::format("<path d=\"M{:.2f} {:.2f}l{:.2f} {:.2f}m0 {:.2f}l{:.2f} {:.2f}\" stroke=\"#1c1f24\"/>",
                       x - 0.5 * half, y - 0.5 * half, half, half, -half, -half, half);
  if (stack.undecided > 0)
    out +=
        fmt::format("<circle cx=\"{:.2f}\" cy=\"{:.2f}\" r=\"{:.2f}\" fill=\"#ffffff\" stroke=\"#1c1f24\"/>",
                    x, y, 0.45 * half);
  return out;
}

class Drawing {
 public:
  Drawing(const ReachReport& report, const TriangleMesh& wall_E, const View& view)
      : report_(report), wall_E_(wall_E), view_(view) {
    low_ = high_ = at(wall_E.vertices.front());
    const auto hold = [this](const Eigen::Vector3d& p) {
      low_ = low_.cwiseMin(at(p));
      high_ = high_.cwiseMax(at(p));
    };
    for (const Eigen::Vector3d& p : wall_E.vertices) hold(p);
    for (const Eigen::Vector3d& p : report.targets_E) hold(p);
    scale_ = (kViewWidth_px - 2.0 * kMargin_px) / std::max(1e-9, high_.x() - low_.x());
  }

  /// The wall's shadow, once for all counts.
  std::string wall() const {
    return fmt::format("<path id=\"wall-{}\" d=\"{}\"/>\n", view_.name, wall_path());
  }

  std::string svg(const ReachCount& count) const {
    const double height = 2.0 * kMargin_px + scale_ * (high_.y() - low_.y());
    std::string out = fmt::format(
        "<svg viewBox=\"0 0 {0:.0f} {1:.0f}\" width=\"{0:.0f}\" height=\"{1:.0f}\" "
        "font-family=\"sans-serif\" role=\"img\">\n",
        kViewWidth_px, height);
    out += fmt::format("<use href=\"#wall-{}\" fill=\"#e3e5e8\"/>\n", view_.name);
    for (const auto& [place, stack] : stacks(count)) {
      const Eigen::Vector2d q = page(Eigen::Vector2d(place.first, place.second) * kPlaceGrain_mm);
      out += fmt::format(
          "<g><title>z {:.1f}, {} {:.1f} mm: {} reached, {} unreachable, {} undecided</title>{}</g>\n",
          place.first * kPlaceGrain_mm, view_.name, place.second * kPlaceGrain_mm, stack.reached,
          stack.unreachable, stack.undecided, mark(q.x(), q.y(), mark_px(), stack));
    }
    return out + entry_mark() + scale_bar(height) + "</svg>";
  }

  /// What changes from one count to another: filled where targets are gained, crossed where they are lost.
  std::string difference(const ReachCount& from, const ReachCount& to) const {
    const double height = 2.0 * kMargin_px + scale_ * (high_.y() - low_.y());
    std::string out = fmt::format(
        "<svg viewBox=\"0 0 {0:.0f} {1:.0f}\" width=\"{0:.0f}\" height=\"{1:.0f}\" "
        "font-family=\"sans-serif\" "
        "role=\"img\">\n<use href=\"#wall-{2}\" fill=\"#e3e5e8\"/>\n",
        kViewWidth_px, height, view_.name);
    for (const auto& [place, change] : changes(from, to)) {
      const Eigen::Vector2d q = page(Eigen::Vector2d(place.first, place.second) * kPlaceGrain_mm);
      const Stack gained{1, 0, 0}, lost{0, 1, 0};
      out +=
          fmt::format("<g><title>z {:.1f}, {} {:.1f} mm: {} gained, {} lost</title>{}{}</g>\n",
                      place.first * kPlaceGrain_mm, view_.name, place.second * kPlaceGrain_mm, change.first,
                      change.second, change.first > 0 ? mark(q.x(), q.y(), mark_px(), gained) : "",
                      change.second > 0 ? mark(q.x(), q.y(), 0.6 * mark_px(), lost) : "");
    }
    return out + entry_mark() + scale_bar(height) + "</svg>";
  }

  const char* up() const { return view_.name; }

 private:
  // Targets nearer than this in a view are drawn as one.
  static constexpr double kPlaceGrain_mm = 0.01;

  Eigen::Vector2d at(const Eigen::Vector3d& p_E) const { return {p_E.z(), p_E[view_.up]}; }
  Eigen::Vector2d page(const Eigen::Vector2d& q) const {
    return {kMargin_px + scale_ * (q.x() - low_.x()), kMargin_px + scale_ * (high_.y() - q.y())};
  }
  double mark_px() const {
    return report_.spacing_mm ? 0.94 * scale_ * *report_.spacing_mm
                              : std::max(kLeastMark_px, scale_ * report_.tolerance_mm);
  }

  /// The wall's shadow: all of its faces, filled, each the same way round so that none undoes another.
  std::string wall_path() const {
    std::string out;
    for (const auto& t : wall_E_.triangles) {
      std::array<Eigen::Vector2d, 3> q;
      for (std::size_t k = 0; k < 3; ++k) q[k] = page(at(wall_E_.vertices[static_cast<std::size_t>(t[k])]));
      const Eigen::Vector2d a = q[1] - q[0], b = q[2] - q[0];
      if (a.x() * b.y() < a.y() * b.x()) std::swap(q[1], q[2]);
      out += fmt::format("M{:.1f} {:.1f}L{:.1f} {:.1f}L{:.1f} {:.1f}Z", q[0].x(), q[0].y(), q[1].x(),
                         q[1].y(), q[2].x(), q[2].y());
    }
    return out;
  }

  std::map<std::pair<long, long>, Stack> stacks(const ReachCount& count) const {
    std::map<std::pair<long, long>, Stack> out;
    for (std::size_t i = 0; i < report_.targets_E.size(); ++i) {
      const Eigen::Vector2d q = at(report_.targets_E[i]) / kPlaceGrain_mm;
      Stack& stack = out[{std::lround(q.x()), std::lround(q.y())}];
      const Verdict verdict = count.result.verdict[i];
      ++(verdict == Verdict::reached       ? stack.reached
         : verdict == Verdict::unreachable ? stack.unreachable
                                           : stack.undecided);
    }
    return out;
  }

  /// Targets gained and lost, by place; places where nothing changes are left out.
  std::map<std::pair<long, long>, std::pair<int, int>> changes(const ReachCount& from,
                                                               const ReachCount& to) const {
    std::map<std::pair<long, long>, std::pair<int, int>> out;
    for (std::size_t i = 0; i < report_.targets_E.size(); ++i) {
      const bool before = from.result.verdict[i] == Verdict::reached;
      const bool after = to.result.verdict[i] == Verdict::reached;
      if (before == after) continue;
      const Eigen::Vector2d q = at(report_.targets_E[i]) / kPlaceGrain_mm;
      auto& change = out[{std::lround(q.x()), std::lround(q.y())}];
      ++(after ? change.first : change.second);
    }
    return out;
  }

  /// An arrow that goes in at the entry.
  std::string entry_mark() const {
    const Eigen::Vector2d q = page({0.0, 0.0});
    return fmt::format(
        "<path d=\"M{0:.1f} {1:.1f}h18m-6 -5l6 5l-6 5\" fill=\"none\" stroke=\"#1c1f24\" "
        "stroke-width=\"2\"><title>entry</title></path>\n",
        q.x() - 20.0, q.y());
  }

  std::string scale_bar(double height) const {
    constexpr double kBar_mm = 20.0;
    const double y = height - 6.0;
    return fmt::format("<path d=\"M{0:.1f} {1:.1f}h{2:.1f}\" stroke=\"#1c1f24\" stroke-width=\"2\"/>\n",
                       kMargin_px, y, scale_ * kBar_mm) +
           svg_text(kMargin_px + scale_ * kBar_mm + 6.0, y + 4.0, fmt::format("{:g} mm", kBar_mm), "start",
                    12);
  }

  const ReachReport& report_;
  const TriangleMesh& wall_E_;
  const View& view_;
  Eigen::Vector2d low_, high_;
  double scale_ = 1.0;
};

std::string key() {
  const auto sign = [](const Stack& stack, const char* words) {
    return fmt::format("<span><svg width=\"20\" height=\"20\">{}</svg>{}</span> ",
                       mark(10.0, 10.0, 16.0, stack), words);
  };
  return "<p class=\"key\">Each square stands for the targets that lie one behind the other there." +
         sign({1, 0, 0}, "all reached") + sign({1, 3, 0}, "some reached") +
         sign({0, 1, 0}, "none: proved unreachable") + sign({1, 0, 1}, "some undecided") + "</p>\n";
}

std::string totals(const ReachReport& report) {
  std::string out = "<table>\n<tr><th>locks<th>reached<th>unreachable<th>undecided<th>share reached</tr>\n";
  for (const ReachCount& count : report.counts)
    out += fmt::format("<tr><td>{}<td>{}<td>{}<td>{}<td>{}</tr>\n", count.locks,
                       count.targets_with(Verdict::reached), count.targets_with(Verdict::unreachable),
                       count.targets_with(Verdict::undecided), share_reached(count));
  return out + "</table>\n";
}

std::string what_was_asked(const ReachReport& report) {
  std::string out =
      report.spacing_mm
          ? fmt::format("{} in the lumen, {:g} mm apart, where the tip fits and insertion gets near. ",
                        count_of(report.targets_E.size(), "target"), *report.spacing_mm)
          : fmt::format("{}. ", count_of(report.targets_E.size(), "target"));
  out +=
      fmt::format("Reached: the tip comes within {:g} mm, with {:g} mm of clearance all the way in and out.",
                  report.tolerance_mm, report.required_clearance_mm);
  return out;
}

std::string locks_of(const ReachCount& count) {
  return count_of(static_cast<std::size_t>(count.locks), "lock");
}

std::string figure(const std::string& svg, const Drawing& drawing) {
  return fmt::format("<figure>{}<figcaption>advance axis z to the right, {} up</figcaption></figure>\n", svg,
                     drawing.up());
}

std::string count_section(const ReachCount& count, const std::vector<Drawing>& drawings) {
  std::string out = fmt::format("<section><h2>{}: {}</h2>\n", locks_of(count), share_reached(count));
  for (const std::string& left_out : count.not_checked)
    out += fmt::format("<p>not checked: {}</p>\n", left_out);
  for (const Drawing& drawing : drawings) out += figure(drawing.svg(count), drawing);
  return out + "</section>\n";
}

std::string change_section(const ReachCount& from, const ReachCount& to,
                           const std::vector<Drawing>& drawings) {
  std::string out = fmt::format("<section><h2>from {} to {}</h2>\n", locks_of(from), locks_of(to));
  for (const Drawing& drawing : drawings) out += figure(drawing.difference(from, to), drawing);
  return out + "</section>\n";
}

}  // namespace

std::string reach_html(const ReachReport& report, const DisplayMesh& wall) {
  const std::string title = escaped_for_markup(report.scene.title);
  std::string out = fmt::format(
      "<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">\n<meta "
      "http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src "
      "'unsafe-inline'\">\n<meta name=\"viewport\" "
      "content=\"width=device-width\">\n<title>{0}: what is "
      "reached</title>\n<style>{1}</style></head>\n<body>\n"
      "<h1>{0}: what is reached</h1>\n<p>{2}</p>\n",
      title, kStyle, what_was_asked(report));
  out += "<ul class=\"cautions\">\n";
  for (const std::string_view caution : kCautions) out += fmt::format("<li>{}</li>\n", caution);
  out += "</ul>\n" + totals(report) + key();
  std::vector<Drawing> drawings;
  for (const View& view : kViews) drawings.emplace_back(report, wall.wall_E, view);
  out += "<svg width=\"0\" height=\"0\"><defs>\n";
  for (const Drawing& drawing : drawings) out += drawing.wall();
  out += "</defs></svg>\n";
  out += "<div class=\"counts\">\n";
  for (const ReachCount& count : report.counts) out += count_section(count, drawings);
  out += "</div>\n";
  if (report.counts.size() > 1) {
    out +=
        "<h2>What one count more changes</h2>\n<p>Filled: gained. Crossed: lost.</p>\n<div "
        "class=\"counts\">\n";
    for (std::size_t i = 1; i < report.counts.size(); ++i)
      out += change_section(report.counts[i - 1], report.counts[i], drawings);
    out += "</div>\n";
  }
  return out + "</body></html>\n";
}

}  // namespace withy
