// SPDX-License-Identifier: GPL-3.0-or-later
// Certificates that must be refused, or that a second look must find true.
//
// Forgeries: a proof made for a harder question (more clearance, less insertion, a smaller curvature limit, a
// weaker field, a target elsewhere, a thicker body, coarser notches, a stiffer segment, tendons that pull
// less) put forward for the easier one, where a plan is known: as it is, and with its leaves stretched over
// the easier one's limits. And sets by hand: none, all states but those near the start.
//
// Mutants: a true certificate with one thing changed. One that holds all the same is true where the changed
// set differs from the old one only by states that are not legal; the second look draws states of that
// difference and holds them against the planner's own verified limits and clearances. Where some are legal, a
// third look walks from them.
#pragma once

#include <filesystem>
#include <memory>
#include <optional>
#include <random>
#include <string>
#include <vector>

#include "planner/proof/recheck/certificate.h"
#include "planner/search/ask/scene_problem.h"
#include "planner/segment/state.h"
#include "tests/support/plain_walks.h"

namespace withy_test {

struct Forgery {
  std::string what;
  withy::recheck::Certificate certificate;
};

/// All forgeries of one question whose answer is "reached". Searches take at most `work` each.
std::vector<Forgery> forgeries_of(const withy::PreparedScene& prepared, const withy::SearchProblem& problem,
                                  std::int64_t work);

struct Mutant {
  std::string what;
  withy::recheck::Certificate certificate;
  std::size_t leaf = 0;  ///< the line that was changed
};

/// One change, drawn at random; nothing where it came to none. Precondition: the certificate has leaves.
std::optional<Mutant> mutant_of(const withy::recheck::Certificate& certificate, std::mt19937_64& random);

/// The second look: of `samples` states drawn from the difference of the two leaves' sets (or, where the leaf
/// became another, from both), the legal ones. Nothing where a leaf is none.
std::optional<std::vector<withy::State>> legal_in_difference(const withy::SearchProblem& problem,
                                                             const withy::recheck::Certificate& before,
                                                             const Mutant& mutant, int samples,
                                                             std::mt19937_64& random);

/// The third look, where some are: the changed set may be as good as the old one all the same, with an island
/// in it or not that no action leads to. An outsider reads the changed certificate (plain_certificate.h) and
/// walks about at random from those states by the plain implementation's allowed actions.
class Outsider {
 public:
  Outsider(const std::filesystem::path& scene, const withy::LockLayout& layout, unsigned seed);

  /// How many states of the walks are on the other side of the set's rim than where their walk began.
  int crossings(const withy::SearchProblem& problem, const withy::recheck::Certificate& certificate,
                const std::vector<withy::State>& from, int actions);

 private:
  withy_plain::Robot robot_;
  std::unique_ptr<withy_plain::Solid> solid_;
  std::unique_ptr<withy_plain::Walker> walker_;
};

}  // namespace withy_test
