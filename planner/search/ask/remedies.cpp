// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/ask/remedies.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>
#include <utility>

#include <fmt/format.h>

#include "geometry/numbers/numbers.h"
#include "geometry/numbers/rounding.h"
#include "planner/effort/shares.h"
#include "planner/search/ask/changed_design.h"
#include "planner/search/ask/layout_remedies.h"
#include "planner/search/ask/plans_ahead.h"
#include "planner/search/ask/via_routes.h"
#include "planner/search/route/make_plan.h"
#include "planner/search/route/route_search.h"
#include "planner/search/route/route_tidy.h"

namespace withy {
namespace {

constexpr double kMostFactor = 2.0;
// Factors are found to 2 per cent: this power of the most.
constexpr double kPowerStep = 0.028569;  // log2(1.02)
// So many combinations are told of one kind.
constexpr std::size_t kTold = 3;

// Taken back in this order: an anatomy is changed least easily, then a body; carriages and requirements most.
constexpr std::array kLeastLiked = {SizeChange::channel,   SizeChange::one_more_lock, SizeChange::bend_radius,
                                    SizeChange::section,   SizeChange::length,        SizeChange::tolerance,
                                    SizeChange::clearance, SizeChange::insertion};

double size_of(const SearchProblem& problem, SizeChange what, std::optional<std::size_t> place) {
  const Design& design = problem.design;
  switch (what) {
    case SizeChange::insertion:
      return design.carriage().insertion_max_mm;
    case SizeChange::clearance:
      return problem.required_clearance_mm;
    case SizeChange::tolerance:
      return (place ? problem.vias[*place] : problem.goal).tolerance_mm;
    case SizeChange::length:
      return design.length_mm();
    case SizeChange::section:
      return design.segment().radius_mm;
    case SizeChange::bend_radius:
      return 1.0 / design.segment().curvature_max_per_mm;
    case SizeChange::one_more_lock:
      return design.lock_count();
    case SizeChange::channel:
      return 1.0;
  }
  return 0.0;
}

bool eases_by_growing(SizeChange what) {
  return what == SizeChange::insertion || what == SizeChange::tolerance || what == SizeChange::length ||
         what == SizeChange::channel;
}

void scale_section(DesignParts& parts, double by) {
  parts.segment.radius_mm *= by;
  parts.segment.flexural_rigidity_Nmm2 *= by * by * by * by;  // of wires as much thinner
  if (parts.lock) parts.lock->body_radius_mm *= by;
  if (parts.tendons) parts.tendons->radius_mm *= by;
  if (!parts.latch) return;
  LatchHardware& latch = *parts.latch;
  latch.backbone_radius_mm *= by;
  latch.notch_pitch_mm *= by;
  latch.engage_window_mm *= by;
  latch.backlash_mm *= by;
  latch.hunt_mm *= by;
}

void scale_length(DesignParts& parts, double by) {
  parts.segment.length_mm *= by;
  for (double& station : parts.layout.station_mm) station *= by;
}

/// Changes what belongs to the design.
void change_parts(DesignParts& parts, const ChangedSize& size) {
  switch (size.what) {
    case SizeChange::insertion:
      parts.carriage.insertion_max_mm = size.to;
      break;
    case SizeChange::length:
      scale_length(parts, size.to / size.from);
      break;
    case SizeChange::section:
      scale_section(parts, size.to / size.from);
      break;
    case SizeChange::bend_radius:
      parts.segment.curvature_max_per_mm = 1.0 / size.to;
      break;
    case SizeChange::clearance:
    case SizeChange::tolerance:
    case SizeChange::one_more_lock:
    case SizeChange::channel:
      break;
  }
}

std::string words_of(const ChangedSize& size) {
  const auto mm = [](double value) { return fmt::format("{:.4g}", value); };
  switch (size.what) {
    case SizeChange::insertion:
      return fmt::format("{} mm of insertion instead of {}", mm(size.to), mm(size.from));
    case SizeChange::clearance:
      return fmt::format("a required clearance of {} mm instead of {}", mm(size.to), mm(size.from));
    case SizeChange::tolerance:
      return fmt::format("a tolerance of {} mm instead of {}{}", mm(size.to), mm(size.from),
                         size.place ? fmt::format(" at place {} of those to pass", *size.place + 1) : "");
    case SizeChange::length:
      return fmt::format("a segment of {} mm instead of {}, its locks at the same shares of it", mm(size.to),
                         mm(size.from));
    case SizeChange::section:
      return fmt::format("a body of {} mm radius instead of {}, all of its section alike", mm(size.to),
                         mm(size.from));
    case SizeChange::bend_radius:
      return fmt::format("a least bend radius of {} mm instead of {}", mm(size.to), mm(size.from));
    case SizeChange::one_more_lock:
      return fmt::format("{:g} {} instead of {:g}", size.to, size.to == 1.0 ? "lock" : "locks", size.from);
    case SizeChange::channel:
      return fmt::format("a channel {} times as large", mm(size.to));
  }
  return {};
}

std::string joined(const std::vector<std::string>& parts, const char* last) {
  std::string text;
  for (std::size_t i = 0; i < parts.size(); ++i)
    text += (i == 0 ? "" : i + 1 == parts.size() ? last : ", ") + parts[i];
  return text;
}

/// The look for sizes, within one effort.
class SizeLook {
 public:
  /// Puts the changes that are tried alone down in `plans`, which must outlive it, to be asked ahead.
  SizeLook(const SearchProblem& problem, std::size_t place, const WithLocks& with_locks,
           const WithChannel& with_channel, PlansAhead& plans)
      : problem_(problem), with_locks_(with_locks), with_channel_(with_channel), alone_(plans) {
    if (place < problem.vias.size()) place_ = place;
    for (const Change& change : kAlone)
      plans.add(plans.add_group(), shares::kLoneRemedyWork, question({change}));
    first_alone_ = plans.size() - kAlone.size();
    for (const Change& change : kEasing)
      if (!sizes({change}).empty()) easing_.push_back(change);  // a clearance of 0 can't be halved
  }

  void run(Remedies& remedies, const Effort& effort) {
    effort_ = effort;
    for (std::size_t i = 0; i < kAlone.size(); ++i) add_alone(remedies, {kAlone[i]}, first_alone_ + i);
    if (remedies.sizes.empty()) add_together(remedies);
    remedies.sizes_tried = !spent() && !no_time_for_channel_;
    remedies.cut_by_clock = no_time_for_channel_ || effort_.end() == Effort::End::clock;
    std::stable_sort(remedies.sizes.begin(), remedies.sizes.end(), smaller_change);
  }

 private:
  struct Change {
    SizeChange what;
    double factor;
  };
  using Changes = std::vector<Change>;

  /// With more of any of these no plan is lost.
  inline static const Changes kEasing = {{SizeChange::insertion, kMostFactor},
                                         {SizeChange::clearance, kMostFactor},
                                         {SizeChange::tolerance, kMostFactor},
                                         {SizeChange::section, kMostFactor},
                                         {SizeChange::bend_radius, kMostFactor}};
  /// With these some may be, so several are tried, beside all of the others.
  inline static const std::vector<Changes> kBeside = {
      {},
      {{SizeChange::one_more_lock, 1.0}},
      {{SizeChange::length, 1.25}},
      {{SizeChange::length, kMostFactor}},
      {{SizeChange::length, 1.25}, {SizeChange::one_more_lock, 1.0}},
      {{SizeChange::length, kMostFactor}, {SizeChange::one_more_lock, 1.0}},
      {{SizeChange::channel, 1.25}},
      {{SizeChange::channel, kMostFactor}}};

  /// Each is tried alone; the channel, whose distances have to be worked out anew, is not.
  inline static const Changes kAlone = {
      {SizeChange::insertion, kMostFactor}, {SizeChange::clearance, kMostFactor},
      {SizeChange::tolerance, kMostFactor}, {SizeChange::length, 1.25},
      {SizeChange::section, kMostFactor},   {SizeChange::bend_radius, kMostFactor},
      {SizeChange::one_more_lock, 1.0}};

  bool spent() const { return effort_.spent(work_); }

  void add_alone(Remedies& remedies, const Changes& changes, std::size_t question) {
    share_ = shares::kLoneRemedyWork;
    if (reaches(alone_, question))
      remedies.sizes.push_back(sizes(to_power(changes, small_power(changes, 1.0))));
    share_ = shares::kRemedyWork;
  }

  std::vector<ChangedSize> sizes(const Changes& changes) const {
    std::vector<ChangedSize> out;
    for (const auto& [what, factor] : changes) {
      const ChangedSize size =
          changed_size(problem_, what, factor, what == SizeChange::tolerance ? place_ : std::nullopt);
      if (size.to != size.from) out.push_back(size);
    }
    return out;
  }

  std::optional<SearchProblem> changed(const Changes& changes) {
    return with_sizes(problem_, sizes(changes), with_locks_,
                      [this](const auto& asked_for, double factor) { return in_channel(asked_for, factor); });
  }

  /// Of changes without a larger channel: may be asked from any thread.
  PlansAhead::Question question(Changes changes) {
    return [this, changes = std::move(changes)] { return changed(changes); };
  }

  Effort share_of_left() const { return effort_.renewed(std::min(share_, effort_.work() - work_)); }

  bool reaches(const Changes& changes) {
    if (spent()) return false;
    const auto asked = changed(changes);
    return asked && has_plan(*asked, share_of_left(), work_);
  }

  bool reaches(const PlansAhead& plans, std::size_t question) {
    return !spent() && plans.has_plan(question, share_of_left(), work_);
  }

  /// A larger channel's distances are worked out once for each factor that is asked for in a row.
  std::optional<SearchProblem> in_channel(const SearchProblem& asked, double factor) {
    if (!larger_ || factor != larger_factor_) {
      // Nothing ends it once it has begun.
      if (effort_.seconds_left() < shares::kLargerChannelSeconds) {
        no_time_for_channel_ = true;
        return std::nullopt;
      }
      larger_ = with_channel_ ? with_channel_(asked, factor) : std::nullopt;
      larger_factor_ = factor;
      return larger_;
    }
    SearchProblem out = asked;
    out.distance = larger_->distance;
    out.goal.point_E = larger_->goal.point_E;
    for (std::size_t k = 0; k < out.vias.size(); ++k) out.vias[k].point_E = larger_->vias[k].point_E;
    return out;
  }

  Changes with_easing(const Changes& beside) const {
    Changes all = beside;
    all.insert(all.end(), easing_.begin(), easing_.end());
    return all;
  }

  /// The first changes together that reach, if any do. A larger channel is not asked about ahead: nothing
  /// ends it once it has begun.
  void add_together(Remedies& remedies) {
    PlansAhead plans;
    const std::size_t group = plans.add_group();
    for (const Changes& beside : kBeside)
      if (!asks_channel(beside)) plans.add(group, shares::kRemedyWork, question(with_easing(beside)));
    if (!spent()) plans.ask(effort_.renewed(effort_.work() - work_));
    for (std::size_t i = 0; i < kBeside.size(); ++i) {
      const Changes all = with_easing(kBeside[i]);
      if (i < plans.size() ? reaches(plans, i) : reaches(all)) return add_smallest(remedies, kBeside[i], all);
    }
  }

  /// What of `beside` and all easing changes does, small, and other combinations of no more changes that do.
  void add_smallest(Remedies& remedies, const Changes& beside, Changes all) {
    take_back(all);
    const double power = small_power(all, 1.0);
    Changes kept = to_power(all, power);
    ease_each(kept);
    // What could not be made small in time says little. The last question that reached was asked with the
    // sizes as they are printed.
    if (spent()) return;
    remedies.sizes.push_back(sizes(kept));
    share_ = shares::kLoneRemedyWork;  // of each of many
    if (!asks_channel(all)) add_others(remedies, beside, {power, all});
    share_ = shares::kRemedyWork;
  }

  /// Its distances are worked out anew for each factor: too long for many combinations.
  static bool asks_channel(const Changes& changes) {
    return std::any_of(changes.begin(), changes.end(),
                       [](const Change& change) { return change.what == SizeChange::channel; });
  }

  /// All factors to one power.
  struct Together {
    double power;
    Changes changes;  // to power 1
  };

  /// Of `beside`, or none of it, with easing changes, no more in all than the combination that is known: the
  /// smallest, so that kTold are told. Each is asked whether it reaches with less than the last of those so
  /// far, and only then made small: with more of an easing change no plan is lost, so one that does not has
  /// nothing smaller to offer.
  void add_others(Remedies& remedies, const Changes& beside, const Together& known) {
    std::vector<double> powers = {known.power};
    const std::size_t most_easing = known.changes.size() - std::min(beside.size(), known.changes.size());
    for (std::size_t count = beside.empty() ? 2 : 0; count <= most_easing; ++count)
      each_combination(count, [&](Changes changes) {
        changes.insert(changes.begin(), beside.begin(), beside.end());
        if (same_changes(changes, known.changes)) return;
        const double most = powers.size() < kTold ? 1.0 : powers[kTold - 1] - kPowerStep;
        if (most <= 0.0 || !reaches(to_power(changes, most))) return;
        const double power = small_power(changes, most);
        Changes small = to_power(changes, power);
        ease_each(small);
        if (spent()) return;
        powers.insert(std::upper_bound(powers.begin(), powers.end(), power), power);
        remedies.sizes.push_back(sizes(small));
      });
    std::stable_sort(remedies.sizes.begin(), remedies.sizes.end(), smaller_change);
    if (remedies.sizes.size() > kTold) remedies.sizes.resize(kTold);
  }

  /// All combinations of so many easing changes.
  template <class Visit>
  void each_combination(std::size_t count, const Visit& visit) const {
    std::vector<bool> taken(easing_.size(), false);
    std::fill_n(taken.begin(), std::min(count, taken.size()), true);
    do {
      Changes changes;
      for (std::size_t i = 0; i < easing_.size(); ++i)
        if (taken[i]) changes.push_back(easing_[i]);
      visit(std::move(changes));
    } while (std::prev_permutation(taken.begin(), taken.end()));
  }

  static bool same_changes(const Changes& a, const Changes& b) {
    return std::is_permutation(a.begin(), a.end(), b.begin(), b.end(),
                               [](const Change& x, const Change& y) { return x.what == y.what; });
  }

  void take_back(Changes& changes) {
    for (auto what = kLeastLiked.begin(); what != kLeastLiked.end() && changes.size() > 1; ++what) {
      Changes without = changes;
      std::erase_if(without, [&](const Change& change) { return change.what == *what; });
      if (without.size() < changes.size() && reaches(without)) changes = std::move(without);
    }
  }

  static Changes to_power(Changes changes, double power) {
    for (Change& change : changes) change.factor = std::pow(change.factor, power);
    return changes;
  }

  /// The least power of all factors that reaches, found by halving; `does` is known to. What is reached need
  /// not be with a longer segment, so with that it is a small power that does and not proved to be the least.
  double small_power(const Changes& changes, double does) {
    double does_not = 0.0;
    while (does - does_not > kPowerStep && !spent()) {
      const double power = 0.5 * (does + does_not);
      (reaches(to_power(changes, power)) ? does : does_not) = power;
    }
    return does;
  }

  /// Takes from each change alone half of what it changes, while that still reaches, those that are liked
  /// least first.
  void ease_each(Changes& changes) {
    if (changes.size() < 2) return;
    for (const SizeChange what : kLeastLiked)
      for (Change& change : changes)
        while (change.what == what && std::log2(change.factor) > kPowerStep && !spent()) {
          const double before = change.factor;
          change.factor = std::sqrt(before);
          if (reaches(changes)) continue;
          change.factor = before;
          break;
        }
  }

  const SearchProblem& problem_;
  const WithLocks& with_locks_;
  const WithChannel& with_channel_;
  const PlansAhead& alone_;
  std::size_t first_alone_ = 0;  ///< of its questions
  Changes easing_;
  Effort effort_;
  std::optional<SearchProblem> larger_;
  double larger_factor_ = 1.0;
  std::optional<std::size_t> place_;  ///< to pass, where the question was decided; nothing: the target
  bool no_time_for_channel_ = false;
  std::int64_t share_ = shares::kRemedyWork;  ///< of one question
  std::int64_t work_ = 0;
};

}  // namespace

ChangedSize changed_size(const SearchProblem& problem, SizeChange what, double factor,
                         std::optional<std::size_t> place) {
  const double from = size_of(problem, what, place);
  if (what == SizeChange::one_more_lock) return {what, 1.0, from, from + 1.0};
  const bool grows = eases_by_growing(what);
  return {what, factor, from, three_digits(grows ? from * factor : from / factor, grows), place};
}

std::optional<SearchProblem> with_sizes(const SearchProblem& problem, const std::vector<ChangedSize>& sizes,
                                        const WithLocks& with_locks, const WithChannel& with_channel) {
  std::optional<SearchProblem> out = problem;
  double channel = 1.0;
  for (const ChangedSize& size : sizes) {
    if (size.what == SizeChange::one_more_lock) {
      out = with_locks ? with_locks(problem.design.lock_count() + 1) : std::nullopt;
      if (!out) return std::nullopt;
    }
    if (size.what == SizeChange::channel) channel = size.to;
  }
  DesignParts parts = out->design.parts();
  for (const ChangedSize& size : sizes) change_parts(parts, size);
  out = with_design(*out, std::move(parts));
  if (!out) return std::nullopt;
  for (const ChangedSize& size : sizes) {
    if (size.what == SizeChange::clearance) out->required_clearance_mm = size.to;
    if (size.what == SizeChange::tolerance)
      (size.place ? out->vias[*size.place] : out->goal).tolerance_mm = size.to;
  }
  if (channel == 1.0) return out;
  return with_channel ? with_channel(*out, channel) : std::nullopt;
}

bool has_plan(const SearchProblem& problem, const Effort& effort, std::int64_t& work_done) {
  RouteSearchSettings settings;
  settings.relaxations = settings.spans = true;  // what has no way is to be told at once
  settings.effort = effort;
  RouteSearch search(problem, settings);
  if (!problem.vias.empty()) {
    const ViaRoute by = route_by_vias(problem, search);
    work_done += search.work();
    return by.outcome == SearchOutcome::found && make_plan(search.judge(), by.route).has_value();
  }
  const SearchOutcome outcome = search.run(problem.goal);
  work_done += search.work();
  if (outcome != SearchOutcome::found) return false;
  return make_plan(search.judge(), tidy(search.judge(), search.route(), effort)).has_value();
}

bool smaller_change(const std::vector<ChangedSize>& a, const std::vector<ChangedSize>& b) {
  const auto measure = [](const std::vector<ChangedSize>& sizes) {
    double largest = 1.0, product = 1.0;
    for (const ChangedSize& size : sizes) {
      const double factor = size.what == SizeChange::one_more_lock ? 2.0 * kMostFactor : size.factor;
      largest = std::max(largest, factor);
      product *= factor;
    }
    return std::pair(largest, product);
  };
  return measure(a) < measure(b);
}

bool Remedies::has_alone(SizeChange what) const {
  return std::any_of(sizes.begin(), sizes.end(), [&](const std::vector<ChangedSize>& together) {
    return together.size() == 1 && together.front().what == what;
  });
}

std::vector<std::string> Remedies::sentences() const {
  const std::string reached = by_places ? "the target would be reached by way of all places to pass with "
                                        : "it would be reached with ";
  std::vector<std::string> all;
  for (const auto& together : sizes) {
    std::vector<std::string> words;
    for (const ChangedSize& size : together) words.push_back(words_of(size));
    all.push_back(reached + joined(words, " and "));
  }
  if (sizes.empty() && sizes_tried)
    all.emplace_back("nothing was found within a factor of two of all limits");
  else if (all.empty() && layout.empty())
    all.push_back(fmt::format("nothing was found within a factor of two of the limits before that look {}",
                              cut_by_clock
                                  ? "was cut short by the clock: a larger --budget gives it more time"
                                  : "had done its share of work"));
  for (const std::string& change : layout) all.push_back(reached + change);
  return all;
}

Remedies find_remedies(const SearchProblem& problem, std::size_t place, const Effort& effort,
                       const WithLocks& with_locks, const WithChannel& with_channel) {
  Remedies remedies;
  remedies.by_places = !problem.vias.empty();
  std::int64_t work = 0;
  PlansAhead of_layout;
  const LayoutRemedies layout(problem, of_layout);
  const Effort half = effort.part(effort.work() / 2);
  of_layout.ask(half);
  remedies.layout = layout.find(half, work);
  const auto rest = [&] { return effort.renewed(std::max<std::int64_t>(0, effort.work() - work)); };
  PlansAhead others;
  const FewerLocks fewer(problem, with_locks, others);
  SizeLook sizes(problem, place, with_locks, with_channel, others);
  others.ask(rest());
  if (const auto count = fewer.find(rest(), work)) remedies.layout.push_back(*count);
  sizes.run(remedies, rest());
  return remedies;
}

}  // namespace withy
