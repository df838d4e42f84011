// SPDX-License-Identifier: GPL-3.0-or-later
// Reserve and chance to fail of a plan: what of a bench's errors it stands.
//
// Reserve: the largest x of the ladder 0.05, 0.10, .., 1, 1.1, 1.21, .. (at most 10) such that under all
// errors at once, each up to x times its size, it is proved that
//     the tip ends within the target's tolerance and direction          WorstCase::tip_error, direction_error
//     every lock engages, its hunt included, and every lock switches    ProvedHardware
//     every limit holds                                                 ProvedHardware
//     no motion touches the wall, no sweep of a hunt does               WorstCase::stands
// Motions that are made in front of the entry as planned are among these: a bench that stands nearer than
// planned may get its tip past the entry plane beside the opening.
// Errors up to x times their sizes hold all smaller ones, so what is proved at x is proved below it. 0 where
// 0.05 is not proved, or where a hunt that is called for can't be made.
//
// Chance to fail: of so many drawn benches (errors.h) the share on which any of these does not hold, with its
// exact interval. What is proved at x = 1 holds on every bench and is not asked of them; of the motions the
// cells that are not proved then are looked at on every bench whose own errors' sizes do not settle them. The
// same plan, errors, draws and seed give the same figures, on any number of threads.
//
// Where the elastic body's slides at the locks are given (elastic_slides.h), both figures count them: added
// to the slides that the errors make, however small these are, and not scaled with them.
//
// Source: none; the two figures are this project's own. The interval: statistics.h.
#pragma once

#include <cstdint>
#include <memory>
#include <optional>
#include <vector>

#include "planner/effort/effort.h"
#include "planner/effort/shares.h"
#include "planner/plan/answer.h"
#include "planner/search/problem.h"
#include "planner/segment/hardware.h"
#include "planner/tolerance/bench_hardware.h"
#include "planner/tolerance/errors.h"
#include "planner/tolerance/worst_case.h"

namespace withy {

/// The ladder, ascending.
const std::vector<double>& reserve_ladder();

/// Judges plans of one problem by the same benches. The problem must outlive it; its goal alone may change
/// from one call to the next. Not safe to use from several threads at once: what is known of a motion is
/// kept.
class Stander {
 public:
  Stander(const SearchProblem& problem, const ErrorSizes& sizes, int draws = shares::kStandingDraws,
          std::uint64_t seed = 1);

  /// Where this effort is cut short fewer benches are asked and less of the reserve is proved; figures say of
  /// how many benches they are. Both figures of a plan, and then those with slides counted, have a little
  /// time beyond its clock (shares::kLastFiguresSeconds in all), so that a plan that is handed out has some.
  /// Nothing is ended before this is called.
  void end_with(const Effort& effort);

  /// Errors of other sizes: the benches are drawn anew, with the same seed, and what is known of motions
  /// stays.
  void take(const ErrorSizes& sizes);

  /// Both figures.
  Standing judge(const Plan& plan) const;
  /// The same with the elastic body's slides counted. Precondition: the plan has what this says without.
  Standing judge(const Plan& plan, const ElasticSlides& slides, SlidesOf of) const;

  /// The chance to fail alone, by the first `draws` benches; reserve 0.
  Standing chance(const Plan& plan, int draws) const;

  /// How many of the first `draws` benches the plan fails on; no more are run once `enough` have failed.
  /// Where the effort is cut short: `enough`.
  int fails(const Plan& plan, int draws, int enough) const;

  /// Locks whose hunts may touch the wall on more than so many of the first `draws` benches.
  std::vector<int> hunts_that_may_touch(const Plan& plan, int draws, int more_than) const;

  /// How many of the first `draws` benches miss the target from this state, or break a limit in it; all of
  /// them where the effort is cut short. `way_in`: the switches on the way there, of which friction locks
  /// keep what the errors had bent.
  int fails_at(const State& reached, int draws, const std::vector<PlannedSwitch>& way_in = {}) const;

 private:
  /// One motion as the bounds have it, kept for the next plan that has it too.
  struct KnownMotion {
    PlannedMotion motion;
    std::unique_ptr<WorstCase> worst;
    std::optional<DoubtfulMotion> doubtful;  ///< nothing: proved clear under errors of the whole size
    /// Where the effort is cut short more cells are left in doubt than need be.
    void look(const ErrorSizes& sizes, const Effort& effort);
  };
  class OnBenches;

  void draw();
  std::vector<KnownMotion*> motions_of(const Plan& plan) const;
  Standing chance(const Plan& plan, int draws, const std::vector<KnownMotion*>& motions, const Effort& effort,
                  const ElasticSlides& slides = {}) const;
  Standing judge_all(const Plan& plan, const ElasticSlides& slides, const Effort& effort) const;
  std::optional<Standing> less_by_engaging(const Plan& plan, const ElasticSlides& slides) const;

  const SearchProblem& problem_;
  Hardware hardware_;
  ErrorSizes sizes_;
  Eigen::Vector3d centre_E_;
  Eigen::MatrixXd bend_per_pull_;
  std::shared_ptr<const WallTriangles> triangles_;
  std::uint64_t seed_;
  std::vector<ErrorDraw> draws_;
  Effort effort_;
  Effort figures_effort_;  // of both figures
  Effort slides_effort_;   // of both with slides counted
  mutable std::vector<std::unique_ptr<KnownMotion>> known_;
};

/// Stands `a` more than `b`? By the upper bound of the chance to fail, then the reserve.
bool stands_more(const Standing& a, const Standing& b);
/// The same of plans that have their standing; where both figures are alike, by the clearance.
bool stands_more(const Plan& a, const Plan& b);

}  // namespace withy
