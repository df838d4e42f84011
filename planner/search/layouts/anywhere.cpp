// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/layouts/anywhere.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <utility>

#include <fmt/format.h>

#include "planner/effort/shares.h"
#include "planner/search/ask/certify.h"
#include "planner/search/ask/via_routes.h"
#include "planner/search/route/route_search.h"

namespace withy {

namespace {

// Grids of stations that layouts are looked for on, as shares of the segment's length: coarse ones first.
constexpr std::array kGridShares = {0.1, 0.05};
// Boxes that are not proved and at most so wide (share of the segment's length) have their middle tried.
constexpr double kTriedBelow = 0.02;

/// A proof that leaves the layout out, of the target or a place to pass; nothing where there is none.
std::optional<std::string_view> proof_by_tip(const SearchProblem& base, const Goal& goal,
                                             const Effort& effort) {
  SearchProblem any = base;
  any.heeded.field = false;  // it would count for this layout alone
  RouteSearchSettings settings;
  settings.relaxations = true;
  settings.direct_work = 0;
  settings.effort = effort.renewed(1);
  RouteSearch search(any, settings);
  if (search.run(goal) != SearchOutcome::proved_none) return std::nullopt;
  return said_by(search.proof());
}

class Anywhere {
 public:
  Anywhere(const SearchProblem& base, const AnywhereSettings& settings)
      : base_(base),
        parts_(base.design.parts()),
        locks_(base.design.lock_count()),
        settings_(settings),
        trials_(base, grid_clockings(parts_, locks_, PlaceSettings{}.clock_step_rad), settings.effort),
        decided_last_(base.vias.size()) {}

  AnywhereAnswer run() {
    if (prove_by_tip()) return std::move(answer_);
    look_for_layouts();
    if (!answer_.best) prove_boxes();
    conclude();
    return std::move(answer_);
  }

 private:
  bool prove_by_tip() {
    for (std::size_t i = 0; i <= base_.vias.size(); ++i) {
      const std::size_t place = (base_.vias.size() + i) % (base_.vias.size() + 1);  // the target first
      const auto proof = proof_by_tip(base_, goal_at(base_, place), settings_.effort);
      if (!proof) continue;
      if (settings_.certified)
        if (auto certificate = certify_passage(base_, goal_at(base_, place), settings_.effort))
          settings_.certified(about(place, std::move(*certificate)));
      answer_.verdict = Verdict::unreachable;
      answer_.by_tip_alone = true;
      answer_.share_proved = 1.0;
      answer_.why = fmt::format("{}{}, wherever the locks sit",
                                place < base_.vias.size() ? place_words(base_, place) + ": " : "", *proof);
      return true;
    }
    return false;
  }

  void look_for_layouts() {
    const Effort effort = settings_.effort.with_share_of_time(shares::kReachingTimeShare);
    for (const double share : kGridShares) {
      if (answer_.best || effort.cut_short()) return;
      PlaceSettings place;
      place.locks = locks_;
      place.station_step_mm = share * parts_.segment.length_mm;
      place.polish_trials = 0;
      place.effort = effort.renewed(shares::kPlaceWork);
      place.progress = [&](const std::string& where, const std::string&, double done) {
        settings_.progress("looking for layouts that reach: " + where, done);
      };
      PlaceResult found = search_place(base_, place);
      answer_.layouts_tried += static_cast<std::int64_t>(found.stations);
      if (!found.best.empty()) take(std::move(found.best.front()));
    }
  }

  void take(PlacedDesign design) {
    if (!answer_.best || better_design(design, *answer_.best)) answer_.best = std::move(design);
  }

  // Boxes.

  double volume(const StationBox& box) const { return std::pow(2.0 * box.half_mm, locks_); }

  /// The whole space of stations, in boxes of one size, no wider than a lock is long either way.
  std::vector<StationBox> first_boxes() const {
    const double most = std::max(0.5 * parts_.lock->body_length_mm, settings_.finest_half_mm);
    const double range = station_range(parts_, locks_, 0).high_mm - station_range(parts_, locks_, 0).low_mm;
    // With many locks there are too many boxes of that size; wider ones are cut as far as they go.
    const double affordable = std::pow(shares::kBoxesKept, 1.0 / locks_);
    const int pieces = std::max(1, static_cast<int>(std::min(affordable, std::ceil(0.5 * range / most))));
    const double half = std::max(0.5 * range / pieces, 0.5 * settings_.finest_half_mm);
    std::vector<StationBox> boxes = {{{}, half}};
    for (int lock = 0; lock < locks_; ++lock) {
      std::vector<StationBox> longer;
      for (const StationBox& box : boxes)
        for (int k = 0; k < pieces; ++k) {
          StationBox next = box;
          next.middle_mm.push_back(station_range(parts_, locks_, lock).low_mm + (2.0 * k + 1.0) * half);
          longer.push_back(std::move(next));
        }
      boxes = std::move(longer);
    }
    std::erase_if(boxes, [&](const StationBox& box) { return !holds_layouts(parts_, box); });
    return boxes;
  }

  std::vector<StationBox> halves(const StationBox& box) const {
    std::vector<StationBox> parts;
    for (unsigned corner = 0; corner < (1U << static_cast<unsigned>(locks_)); ++corner) {
      StationBox part = box;
      part.half_mm *= 0.5;
      for (int lock = 0; lock < locks_; ++lock)
        part.middle_mm[static_cast<std::size_t>(lock)] +=
            (corner >> static_cast<unsigned>(lock)) % 2 == 1 ? part.half_mm : -part.half_mm;
      if (holds_layouts(parts_, part)) parts.push_back(std::move(part));
    }
    return parts;
  }

  /// Size by size, so that the widest are asked first.
  void prove_boxes() {
    std::vector<StationBox> open = first_boxes();
    double all = 0.0;
    for (const StationBox& box : open) all += volume(box);
    double proved = 0.0;
    if (!layouts_can_be_boxed(base_)) {
      answer_.open = std::move(open);
      return;
    }
    while (!open.empty() && static_cast<double>(open.size()) < shares::kBoxesKept &&
           open.front().half_mm >= settings_.finest_half_mm && !done()) {
      std::vector<StationBox> next;
      int failed = 0, held = 0;
      for (std::size_t i = 0; i < open.size() && !answer_.best; ++i) {
        const StationBox& box = open[i];
        settings_.progress(fmt::format("proving layouts: {:.1f} % done, boxes of {:.3g} mm",
                                       100.0 * proved / all, 2.0 * box.half_mm),
                           static_cast<double>(i) / static_cast<double>(open.size()));
        if (done()) {
          next.push_back(box);
          continue;
        }
        const bool hopeless = held == 0 && failed >= shares::kBoxHopelessAfter;
        if (!hopeless && is_proved(box)) {
          ++held;
          proved += volume(box);
          continue;
        }
        ++failed;
        if (!hopeless) try_middle(box);
        for (StationBox& part : halves(box)) next.push_back(std::move(part));
      }
      // What of a box holds no layout is proved with it.
      answer_.finest_half_mm = open.front().half_mm;
      open = std::move(next);
      double left = 0.0;
      for (const StationBox& box : open) left += volume(box);
      proved = all - left;
    }
    answer_.share_proved = all > 0.0 ? proved / all : 0.0;
    std::stable_sort(open.begin(), open.end(),
                     [](const StationBox& a, const StationBox& b) { return a.half_mm > b.half_mm; });
    answer_.open = std::move(open);
  }

  bool done() const { return answer_.best || settings_.effort.cut_short(); }

  /// The target and each place to pass have a box's work; the one that decided the last box comes first.
  bool is_proved(const StationBox& box) {
    const auto question = question_over(base_, box);
    if (!question) return false;
    if (is_proved_at(*question, decided_last_)) return true;
    for (std::size_t i = 0; i <= base_.vias.size(); ++i) {
      const std::size_t place = (base_.vias.size() + i) % (base_.vias.size() + 1);
      if (place == decided_last_ || !is_proved_at(*question, place)) continue;
      decided_last_ = place;
      return true;
    }
    return false;
  }

  bool is_proved_at(const BoxQuestion& question, std::size_t place) {
    if (settings_.effort.cut_short()) return false;
    RouteSearchSettings settings;
    settings.direct_work = 0;
    settings.spans = true;
    settings.effort = settings_.effort.renewed(shares::kBoxWork);
    RouteSearch search(question.problem, settings);
    if (search.run(goal_at(question.problem, place)) != SearchOutcome::proved_none) return false;
    ++answer_.boxes_proved;
    if (place < base_.vias.size()) ++answer_.boxes_by_place;
    if (settings_.certified) hand_on(question, place, search, settings);
    return true;
  }

  /// Names the place, where it is not the target.
  recheck::Certificate about(std::size_t place, recheck::Certificate certificate) const {
    if (place < base_.vias.size()) certificate.header.via = place;
    return certificate;
  }

  void hand_on(const BoxQuestion& question, std::size_t place, const RouteSearch& search,
               const RouteSearchSettings& settings) {
    recheck::Certificate certificate =
        about(place, certify(about_place(question.problem, place), search, settings));
    certificate.header.layout = proved_layout(question);
    certificate.header.required_clearance_mm = base_.required_clearance_mm;
    settings_.certified(std::move(certificate));
  }

  /// The layout in the middle of a box that is not proved.
  void try_middle(const StationBox& box) {
    if (box.half_mm > kTriedBelow * parts_.segment.length_mm) return;
    const auto question = question_over(base_, box);
    if (!question) return;
    ++answer_.layouts_tried;
    Trial trial = trials_.ask(question->covers.middle_mm, base_.required_clearance_mm,
                              shares::kPlaceWork / shares::kPlaceGlanceShare);
    if (trial.verdict == Verdict::reached) take(std::move(*trial.design));
  }

  void conclude() {
    if (answer_.best) {
      answer_.verdict = Verdict::reached;
      answer_.open.clear();
      answer_.why = fmt::format("{} tried", layouts());
      return;
    }
    if (answer_.open.empty()) {
      answer_.verdict = Verdict::unreachable;
      answer_.why = fmt::format(
          "no layout reaches: proved of all stations in {} boxes, the finest {:.3g} mm wide, "
          "whatever the clocking{}",
          answer_.boxes_proved, 2.0 * answer_.finest_half_mm, by_places());
      return;
    }
    answer_.verdict = Verdict::undecided;
    answer_.why =
        fmt::format("{:.1f} % of the stations' space is proved not to reach; {} tried, and none reaches; {}",
                    std::floor(1000.0 * answer_.share_proved) / 10.0, layouts(), what_is_left());
  }

  std::string by_places() const {
    if (answer_.boxes_by_place == 0) return {};
    return fmt::format("; {} of them by a place to pass that can't be reached", answer_.boxes_by_place);
  }

  std::string layouts() const {
    return fmt::format("{} layout{}", answer_.layouts_tried, answer_.layouts_tried == 1 ? "" : "s");
  }

  std::string what_is_left() const {
    if (!layouts_can_be_boxed(base_))
      return "boxes of stations are proved for a free carriage, a closed channel and notches that hold a "
             "bend both "
             "ways only";
    std::string text = fmt::format("{} boxes are left, the widest {:.3g} mm wide, with stations",
                                   answer_.open.size(), 2.0 * answer_.open.front().half_mm);
    for (const double station : answer_.open.front().middle_mm) text += fmt::format(" {:.4g}", station);
    return text + " mm in its middle";
  }

  const SearchProblem& base_;
  DesignParts parts_;
  int locks_;
  const AnywhereSettings& settings_;
  LayoutTrials trials_;
  std::size_t decided_last_;  ///< counted as ViaRoute::place is
  AnywhereAnswer answer_;
};

}  // namespace

AnywhereAnswer reach_anywhere(const SearchProblem& base, const AnywhereSettings& settings) {
  return Anywhere(base, settings).run();
}

}  // namespace withy
