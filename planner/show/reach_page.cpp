// SPDX-License-Identifier: GPL-3.0-or-later
#include <algorithm>
#include <array>
#include <cmath>
#include <map>
#include <utility>

#include <fmt/core.h>

#include "planner/files/markup.h"
#include "planner/files/words.h"
#include "planner/show/reach_report.h"

namespace withy {

namespace {

constexpr double kViewWidth_px = 600.0;
constexpr double kMargin_px = 26.0;
// Marks of targets from a file are at least this wide; those of a lattice are as wide as its spacing.
constexpr double kLeastMark_px = 7.0;

constexpr const char* kStyle = R"(
.counts { display: grid; grid-template-columns: repeat(auto-fit, minmax(300px, 1fr)); gap: 14px; align-items: start; }
.panel h2 { margin-top: 2px; } figure { margin: 0 0 8px; } figcaption { font-size: 13px; color: var(--ink-soft); }
:root { --few: #e2ecf6; --all: #163468; --shadow: #e3e5e8; --mark-edge: #8b9098; --held: #a3212e; }
@media screen and (prefers-color-scheme: dark) { :root { --few: #24384f; --all: #d3e6ff; --shadow: #2a323d; --mark-edge: #5b6672; --held: #ff8a8f; } }
figure svg { width: 100%; max-height: 80vh; height: auto; display: block; }
.shadow { fill: var(--shadow); } .map text { fill: var(--ink); } .line { stroke: var(--ink); fill: none; }
.some { fill: color-mix(in srgb, var(--all) var(--share), var(--few)); } .none, .open { fill: var(--panel); } .open { stroke: var(--ink); }
.some, .none { stroke: var(--mark-edge); stroke-width: .5; }
figure a:hover rect, figure a:focus-visible rect { stroke: var(--held); stroke-width: 2.5; }
.key span { display: inline-block; margin-left: 1em; } .key svg { vertical-align: middle; margin-right: 0.3em; }
.targets { max-height: 70vh; border: 1px solid var(--edge); border-radius: 10px; background: var(--panel); }
.targets thead th { position: sticky; top: 0; background: var(--panel); } tr:target { background: var(--marked); }
code { font: 0.86rem ui-monospace, monospace; white-space: nowrap; }
@media print { .targets { max-height: none; } }
)";

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
  std::size_t first = 0;  ///< index of one of its targets
  int all() const { return reached + unreachable + undecided; }
};

/// One mark: shade for the share reached, a cross where nothing is, a ring where something is undecided.
std::string mark(double x, double y, double size, const Stack& stack) {
  const double half = 0.5 * size;
  const double share = static_cast<double>(stack.reached) / stack.all();
  std::string out =
      fmt::format("<rect x=\"{:.2f}\" y=\"{:.2f}\" width=\"{:.2f}\" height=\"{:.2f}\" {}/>", x - half,
                  y - half, size, size,
                  stack.reached > 0 ? fmt::format("class=\"some\" style=\"--share:{:.0f}%\"", 100.0 * share)
                                    : std::string("class=\"none\""));
  if (stack.reached == 0 && stack.undecided == 0)
    out += fmt::format("<path d=\"M{:.2f} {:.2f}l{:.2f} {:.2f}m0 {:.2f}l{:.2f} {:.2f}\" class=\"line\"/>",
                       x - 0.5 * half, y - 0.5 * half, half, half, -half, -half, half);
  if (stack.undecided > 0)
    out +=
        fmt::format("<circle cx=\"{:.2f}\" cy=\"{:.2f}\" r=\"{:.2f}\" class=\"open\"/>", x, y, 0.45 * half);
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
    std::string out = opened(height, fmt::format("{} in the view with {} up", share_reached(count), up()));
    for (const auto& [place, stack] : stacks(count)) {
      const Eigen::Vector2d q = page(Eigen::Vector2d(place.first, place.second) * kPlaceGrain_mm);
      out += fmt::format("<a href=\"#target-{}\"><title>{}</title>{}</a>\n", stack.first + 1, words(stack),
                         mark(q.x(), q.y(), mark_px(), stack));
    }
    return out + entry_mark() + scale_bar(height) + "</svg>";
  }

  /// What changes from one count to another: filled where targets are gained, crossed where they are lost.
  std::string difference(const ReachCount& from, const ReachCount& to) const {
    const double height = 2.0 * kMargin_px + scale_ * (high_.y() - low_.y());
    std::string out = opened(height, fmt::format("gained and lost, in the view with {} up", up()));
    for (const auto& [place, change] : changes(from, to)) {
      const Eigen::Vector2d q = page(Eigen::Vector2d(place.first, place.second) * kPlaceGrain_mm);
      const Stack gained{1, 0, 0, 0}, lost{0, 1, 0, 0};
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

  std::string opened(double height, const std::string& name) const {
    return fmt::format(
        "<svg class=\"map\" viewBox=\"0 0 {0:.0f} {1:.0f}\" font-family=\"sans-serif\" role=\"group\" "
        "aria-label=\"{2}\">\n<use href=\"#wall-{3}\" class=\"shadow\"/>\n",
        kViewWidth_px, height, name, view_.name);
  }

  /// Where a place's target is, in the scene's frame, and what became of all that stand there.
  std::string words(const Stack& stack) const {
    const Eigen::Vector3d& p = report_.targets_S[stack.first];
    std::string out =
        fmt::format("target {} at ({:.2f}, {:.2f}, {:.2f}) mm", stack.first + 1, p.x(), p.y(), p.z());
    if (stack.all() > 1) out += fmt::format(" and {} in line with it", stack.all() - 1);
    return out + fmt::format(": {} reached, {} unreachable, {} undecided", stack.reached, stack.unreachable,
                             stack.undecided);
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
      Stack& stack =
          out.try_emplace({std::lround(q.x()), std::lround(q.y())}, Stack{0, 0, 0, i}).first->second;
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
        "<path d=\"M{0:.1f} {1:.1f}h18m-6 -5l6 5l-6 5\" class=\"line\" "
        "stroke-width=\"2\"><title>entry</title></path>\n",
        q.x() - 20.0, q.y());
  }

  std::string scale_bar(double height) const {
    constexpr double kBar_mm = 20.0;
    const double y = height - 6.0;
    return fmt::format("<path d=\"M{0:.1f} {1:.1f}h{2:.1f}\" class=\"line\" stroke-width=\"2\"/>\n",
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
  return "<p class=\"key\">Each square stands for the targets that lie one behind the other there, and leads "
         "to their row below." +
         sign({1, 0, 0, 0}, "all reached") + sign({1, 3, 0, 0}, "some reached") +
         sign({0, 1, 0, 0}, "none: proved unreachable") + sign({1, 0, 1, 0}, "some undecided") + "</p>\n";
}

std::string totals(const ReachReport& report) {
  std::string out =
      "<table><thead><tr><th class=\"n\">locks<th class=\"n\">reached<th class=\"n\">unreachable<th "
      "class=\"n\">undecided<th class=\"n\">share reached<th class=\"n\">share stood</tr></thead>\n";
  for (const ReachCount& count : report.counts)
    out += fmt::format(
        "<tr><td class=\"n\">{}<td class=\"n\">{}<td class=\"n\">{}<td class=\"n\">{}<td "
        "class=\"n\">{}<td class=\"n\">{}</tr>\n",
        count.locks, count.targets_with(Verdict::reached), count.targets_with(Verdict::unreachable),
        count.targets_with(Verdict::undecided), share_reached(count), share_stood(count));
  return out + "</table>\n<p>" + share_stood_note() + "</p>\n";
}

constexpr std::string_view kPartialNote =
    "<p class=\"partial\"><strong>Partial: the run was interrupted; lock counts that were asked for may be "
    "missing, and targets that were not come to count as undecided.</strong></p>\n";

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
  std::string out =
      fmt::format("<section class=\"panel\"><h2>{}: {}</h2>\n", locks_of(count), share_reached(count));
  for (const std::string& left_out : count.not_checked)
    out += fmt::format("<p>not checked: {}</p>\n", left_out);
  for (const Drawing& drawing : drawings) out += figure(drawing.svg(count), drawing);
  return out + "</section>\n";
}

std::string change_section(const ReachCount& from, const ReachCount& to,
                           const std::vector<Drawing>& drawings) {
  std::string out =
      fmt::format("<section class=\"panel\"><h2>from {} to {}</h2>\n", locks_of(from), locks_of(to));
  for (const Drawing& drawing : drawings) out += figure(drawing.difference(from, to), drawing);
  return out + "</section>\n";
}

std::string verdict_cell(Verdict verdict) {
  const char* sign = verdict == Verdict::reached       ? kReachedSign
                     : verdict == Verdict::unreachable ? kUnreachableSign
                                                       : kUndecidedSign;
  return fmt::format("<td>{} {}", sign, name_of(verdict));
}

/// A word of a command line, quoted where a shell would part it.
std::string shell_word(const std::string& word) {
  const bool plain = !word.empty() && word.find_first_not_of(
                                          "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ"
                                          "0123456789_./+-") == std::string::npos;
  if (plain && word.front() != '-') return word;
  std::string out = "'";
  for (const char c : word) out += c == '\'' ? std::string("'\\''") : std::string(1, c);
  return out + "'";
}

/// Every target with its verdicts, and the command that plans it.
std::string target_table(const ReachReport& report) {
  std::string out =
      "<h2>Targets</h2>\n<p>The command, given in this page's folder, opens the bench on that target and "
      "asks for every lock count; the "
      "scene's own target comes back with undo. A direction that the scene asks for counts there.</p>\n<div "
      "class=\"scroll targets\" tabindex=\"0\" role=\"region\" aria-label=\"Targets\"><table><thead><tr><th "
      "class=\"n\">target<th class=\"n\">x mm<th class=\"n\">y mm<th class=\"n\">z mm";
  for (const ReachCount& count : report.counts) out += "<th>" + locks_of(count);
  out += "<th>command</tr></thead>\n";
  const std::string scene = escaped_for_markup(shell_word(report.scene_file));
  for (std::size_t i = 0; i < report.targets_S.size(); ++i) {
    const Eigen::Vector3d& p = report.targets_S[i];
    out += fmt::format(
        "<tr id=\"target-{}\"><td class=\"n\">{}<td class=\"n\">{:.2f}<td class=\"n\">{:.2f}<td "
        "class=\"n\">{:.2f}",
        i + 1, i + 1, p.x(), p.y(), p.z());
    for (const ReachCount& count : report.counts) out += verdict_cell(count.result.verdict[i]);
    out += fmt::format("<td><code>withy live {} --target {:.6g} {:.6g} {:.6g}</code></tr>\n", scene, p.x(),
                       p.y(), p.z());
  }
  return out + "</table></div>\n";
}

}  // namespace

std::string reach_html(const ReachReport& report, const DisplayMesh& wall) {
  std::string out = report.partial ? std::string(kPartialNote) : std::string();
  out += fmt::format("<p>{}</p>\n", what_was_asked(report)) + totals(report) + key();
  std::vector<Drawing> drawings;
  for (const View& view : kViews) drawings.emplace_back(report, wall.wall_E, view);
  out += "<svg width=\"0\" height=\"0\" aria-hidden=\"true\"><defs>\n";
  for (const Drawing& drawing : drawings) out += drawing.wall();
  out += "</defs></svg>\n<div class=\"counts\">\n";
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
  return plain_page(report.scene.title + ": what is reached", kStyle, out + target_table(report));
}

}  // namespace withy
