// SPDX-License-Identifier: GPL-3.0-or-later
#include "tools/bench/consistency/campaign.h"

#include <algorithm>
#include <exception>
#include <fstream>
#include <optional>
#include <thread>

#include <fmt/format.h>

#include "tests/support/plain_replay.h"
#include "tests/support/temporary_folder.h"
#include "tools/bench/consistency/outsider.h"

namespace withy::consistency {
namespace {

constexpr long kQuestionsPerChannel = 4;
constexpr int kMostFaultsShown = 3;

/// Of each motion; at an open outlet more tell little more.
constexpr int kReplaySamples = 2500;

/// A seed of its own for each thing that is drawn (the finaliser of G. L. Steele, D. Lea and C. H. Flood,
/// "Fast Splittable Pseudorandom Number Generators", OOPSLA 2014).
std::uint64_t seed_of(std::uint64_t seed, std::uint64_t what, std::uint64_t index) {
  std::uint64_t z =
      seed * 0x9e3779b97f4a7c15u + what * 0xd1342543de82ef95u + (index + 1) * 0xbf58476d1ce4e5b9u;
  z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9u;
  z = (z ^ (z >> 27)) * 0x94d049bb133111ebu;
  return z ^ (z >> 31);
}

/// One question: asked, attacked, replayed, held together.
class Inquiry {
 public:
  Inquiry(const CampaignSettings& settings, const RandomChannel& channel, ChannelForms& forms, long index)
      : settings_(settings),
        channel_(channel),
        forms_(forms),
        chance_(seed_of(settings.seed, 2, static_cast<std::uint64_t>(index))),
        index_(index),
        question_(
            random_question(chance_, channel, forms.folder(), ChannelForms::mesh_name(SceneForm::as_drawn))) {
    entered_.regime = question_.regime;
  }

  Entered run() {
    if (!ask_in({})) {
      entered_.refused = true;
      return entered_;
    }
    ask_in({SceneForm::as_drawn, Ease::none, Asking::cells});
    if (decided() || chance_.one_in(0.4)) ask_further();
    compare();
    hold_to_known_way();
    if (std::any_of(told_.begin(), told_.end(),
                    [](const Told& t) { return t.verdict == Verdict::unreachable; }))
      attack_unreachable();
    for (const Told& told : told_)
      if (!told.plan.empty()) replay(told);
    for (const Told& told : told_) enter_rechecks(told);
    for (const Told& told : told_) {
      entered_.ways_undecided += told.verdict == Verdict::undecided;
      entered_.does_not_hold += told.does_not_hold;
      if (!told.easier && entered_.verdict == Verdict::undecided) entered_.verdict = told.verdict;
    }
    entered_.ways = static_cast<int>(told_.size());
    if (!entered_.contradictions.empty() || !entered_.not_decided.empty()) keep_files();
    return entered_;
  }

 private:
  bool decided() const {
    return std::any_of(told_.begin(), told_.end(),
                       [](const Told& t) { return t.verdict != Verdict::undecided; });
  }

  bool ask_in(const Way& way) {
    return ask_in(way, question_, fmt::format("question-{}-way-{}", index_, told_.size() + 1));
  }

  bool ask_in(const Way& way, const Question& question, const std::string& name) {
    auto told = ask(way, question, forms_, settings_.budget, chance_.seed(), name);
    if (!told) {
      // The scene as drawn was accepted: so must its other forms be. An easier one may open an outlet beside
      // the target, or need less room at the entry.
      if (!told_.empty() && way.ease == Ease::none) contradict(way.words() + ": refused: " + told.error());
      return false;
    }
    told_.push_back(std::move(*told));
    return true;
  }

  void ask_further() {
    const bool unreachable = told_.front().verdict == Verdict::unreachable;
    ask_in(
        {SceneForm::as_drawn, Ease::none, chance_.one_in(0.5) ? Asking::reach_alone : Asking::reach_among});
    if (!told_.back().companions.empty()) ask_a_companion(told_.back().companions);
    const auto any_asking = [&] {
      return static_cast<Asking>(chance_.one_in(0.1) ? 1 : 2 * chance_.whole(0, 1));
    };
    const auto form = static_cast<SceneForm>(chance_.whole(1, 4));
    ask_in({form, Ease::none, chance_.one_in(0.3) ? Asking::reach_alone : any_asking()});
    if (chance_.one_in(unreachable ? 0.9 : 0.5)) {
      Ease ease = Ease::insertion;
      if (chance_.one_in(0.75)) do
          ease = static_cast<Ease>(chance_.whole(1, 8));
        while (!can_ease(question_.draft, ease, channel_));
      ask_in({SceneForm::as_drawn, ease, chance_.one_in(0.3) ? Asking::reach_alone : any_asking()});
    }
    if (chance_.one_in(unreachable ? 0.7 : 0.05)) ask_in({SceneForm::as_drawn, Ease::none, Asking::stock});
  }

  /// Another target that was asked for in the same search, asked for alone.
  void ask_a_companion(const std::vector<Verdict>& companions) {
    const auto which = static_cast<std::size_t>(chance_.whole(0, static_cast<int>(companions.size()) - 1));
    if (companions[which] == Verdict::undecided) return;
    Question alone = question_;
    alone.draft.target.point_S = alone.draft.entry.X_SE * question_.companions_E[which];
    alone.known.reset();
    const auto asking = chance_.one_in(0.5) ? Asking::plan : Asking::cells;
    auto told = ask({SceneForm::as_drawn, Ease::none, asking}, alone, forms_, settings_.budget,
                    chance_.seed(), fmt::format("question-{}-companion", index_));
    if (!told) return;
    ++entered_.ways;
    if (told->verdict != Verdict::undecided && told->verdict != companions[which])
      contradict(fmt::format("companion {}: {} alone, by {}; {} among others", which + 1,
                             name_of(told->verdict), told->way.words(), name_of(companions[which])));
    if (!told->plan.empty()) replay(*told);
    enter_rechecks(*told);
    if (companions[which] == Verdict::unreachable) attack_one(*told, std::nullopt);
  }

  void compare() {
    for (const Told& yes : told_) {
      if (yes.verdict != Verdict::reached) continue;
      if (yes.no_plan) contradict("reached (" + yes.way.words() + "), but: " + yes.why);
      for (const Told& no : told_) {
        // An easier question may be reached where the one as drawn is not.
        if (no.verdict != Verdict::unreachable || (yes.easier && !(no.easier && same(yes.way, no.way))))
          continue;
        contradict(fmt::format("reached ({}) but unreachable ({})", yes.way.words(), no.way.words()));
      }
    }
  }

  /// Where a plain walk leads to the target no way of asking may say unreachable.
  void hold_to_known_way() {
    if (question_.known_way.empty()) return;
    for (const Told& told : told_) {
      if (told.verdict == Verdict::unreachable)
        contradict(fmt::format("unreachable ({}), but a plain walk of {} states leads to it",
                               told.way.words(), question_.known_way.size()));
      if (question_.companion_is_reached && !told.companions.empty() &&
          told.companions.front() == Verdict::unreachable)
        contradict(fmt::format("companion unreachable ({}), but a plain walk passes it", told.way.words()));
    }
    entered_.known_ways = 1;
  }

  static bool same(const Way& a, const Way& b) { return a.ease == b.ease; }

  /// The easiest question that is called unreachable is the one to attack.
  void attack_unreachable() {
    const Told* victim = nullptr;
    for (const Told& told : told_)
      if (told.verdict == Verdict::unreachable && told.way.form == SceneForm::as_drawn &&
          (victim == nullptr || told.way.ease != Ease::none))
        victim = &told;
    if (victim != nullptr) return attack_one(*victim, question_.known);
    for (const Told& told : told_)  // another form only; what is known is known of the one as drawn
      if (told.verdict == Verdict::unreachable) return attack_one(told, std::nullopt);
  }

  void attack_one(const Told& victim, const std::optional<withy_plain::State>& known) {
    const Attack made =
        attack(victim.scene, known, settings_.attack_looks, static_cast<unsigned>(chance_.seed()));
    ++entered_.attacked;
    entered_.attacks_with_goals += made.goal_states > 0;
    entered_.goal_states += made.goal_states;
    entered_.attacks_where_known += known.has_value();
    entered_.known_found_anew += known && made.goal_states > 0;
    if (made.way.empty()) return;
    contradict(fmt::format("a plain walk of {} states leads between the start and a goal state ({})",
                           made.way.size(), victim.way.words()));
    auto file = victim.scene;
    file.replace_extension(".walk.txt");
    std::ofstream(file) << words(made.way);
  }

  void replay(const Told& told) {
    ++entered_.plans_replayed;
    const auto faults = withy_plain::replay_plan(told.scene.string(), told.plan.string(), kReplaySamples);
    for (std::size_t i = 0; i < faults.size() && i < kMostFaultsShown; ++i)
      contradict(fmt::format("replay ({}): {}", told.way.words(), faults[i]));
  }

  /// A verdict that its checker refuses contradicts; one that it can't decide is counted.
  void enter_rechecks(const Told& told) {
    for (const Recheck& recheck : told.rechecks) {
      ++(recheck.of_plan ? entered_.plans_rechecked : entered_.proofs_rechecked);
      entered_.recheck_seconds += recheck.seconds;
      if (recheck.outcome.verdict == recheck::Verdict::holds) continue;
      const std::string what = fmt::format("recheck of the {} ({}): {}", recheck.of_plan ? "plan" : "proof",
                                           told.way.words(), recheck.outcome.why);
      if (recheck.outcome.verdict == recheck::Verdict::does_not_hold)
        contradict(what);
      else
        entered_.not_decided.push_back(what);
    }
  }

  void contradict(std::string what) { entered_.contradictions.push_back(std::move(what)); }

  /// The question's files, the meshes they name, and what contradicts.
  void keep_files() const {
    const auto folder = settings_.failures / fmt::format("seed-{}-question-{}", settings_.seed, index_);
    std::filesystem::create_directories(folder);
    for (const auto& entry : std::filesystem::directory_iterator(forms_.folder())) {
      const std::string name = entry.path().filename().string();
      const bool ours = name.starts_with(fmt::format("question-{}-", index_));
      if (ours || entry.path().extension() == ".off")
        std::filesystem::copy_file(entry.path(), folder / name,
                                   std::filesystem::copy_options::overwrite_existing);
    }
    if (!question_.known_way.empty()) std::ofstream(folder / "known-way.txt") << words(question_.known_way);
    std::ofstream report(folder / "report.txt");
    for (const std::string& what : entered_.contradictions) report << what << '\n';
    for (const std::string& what : entered_.not_decided) report << "could not decide: " << what << '\n';
    for (const Told& told : told_)
      report << told.scene.filename().string() << ": " << told.way.words() << ": " << name_of(told.verdict)
             << '\n';
    for (const auto& [heading, kind] : entered_.regime) report << heading << ": " << kind << '\n';
  }

  const CampaignSettings& settings_;
  const RandomChannel& channel_;
  ChannelForms& forms_;
  Chance chance_;
  long index_;
  Question question_;
  std::vector<Told> told_;
  Entered entered_;
};

}  // namespace

void Campaign::run() {
  next_group_ = settings_.first / kQuestionsPerChannel;
  std::vector<std::thread> others;
  for (int i = 1; i < settings_.threads; ++i) others.emplace_back([this] { work(); });
  work();
  for (std::thread& thread : others) thread.join();
}

void Campaign::work() {
  const long end = settings_.first + settings_.questions;
  for (long group = next_group_++; group * kQuestionsPerChannel < end && !settings_.stop();
       group = next_group_++)
    ask_about_channel(group);
}

void Campaign::ask_about_channel(long group) {
  Chance chance(seed_of(settings_.seed, 1, static_cast<std::uint64_t>(group)));
  const RandomChannel channel = random_channel(chance);
  const withy_test::TemporaryFolder folder;
  ChannelForms forms(channel, chance, folder.path());
  const long begin = std::max(settings_.first, group * kQuestionsPerChannel);
  const long end = std::min(settings_.first + settings_.questions, (group + 1) * kQuestionsPerChannel);
  for (long index = begin; index < end && !settings_.stop(); ++index) {
    const Entered entered = Inquiry(settings_, channel, forms, index).run();
    const std::lock_guard lock(mutex_);
    ledger_.enter(entered);
    for (const std::string& what : entered.contradictions)
      fmt::print("seed {} question {}: {}\n", settings_.seed, index, what);
    for (const std::string& what : entered.not_decided)
      fmt::print("seed {} question {}: could not decide, {}\n", settings_.seed, index, what);
    std::fflush(stdout);
  }
}

}  // namespace withy::consistency
