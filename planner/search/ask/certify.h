// SPDX-License-Identifier: GPL-3.0-or-later
// Certificates of what the search proved, for others to check (planner/proof/recheck/certificate.h).
#pragma once

#include <optional>
#include <string>

#include "planner/proof/recheck/certificate.h"
#include "planner/search/ask/scene_problem.h"
#include "planner/search/route/route_search.h"

namespace withy {

/// Of a search of `problem` that proved by its cells or by spans of insertion (no `settings.relaxations`)
/// that there is none: unreachable, or not with so few switches (`settings.most_switches`). A proof should
/// use no limit that it can do without: where lock switches were held against the field, the search is run
/// once more with any switch allowed, within twice the work, and what that proves is taken. Scene and target
/// are not filled in (name_scene).
recheck::Certificate certify(const SearchProblem& problem, const RouteSearch& search,
                             const RouteSearchSettings& settings);

/// The same of a search that may have proved it by what leaves most of the design out (RouteSearch::proof). A
/// proof by the tip alone has a certificate of its own, of the cubes that it may pass. Where no field
/// switches a lock, the set is made of cells: where it takes more of them than that search knows, they are
/// asked once more; nothing where they prove nothing within the effort.
std::optional<recheck::Certificate> certify_any_proof(const SearchProblem& problem, const RouteSearch& search,
                                                      const RouteSearchSettings& settings);

/// Is it a proof by the tip alone, which holds wherever the locks sit?
bool is_by_tip(ProofKind kind);

/// Of such a proof for `goal`, within the effort.
std::optional<recheck::Certificate> certify_passage(const SearchProblem& problem, const Goal& goal,
                                                    const Effort& effort);

/// Of a search that proved many targets unreachable, one after the other, and buried what it proved: one
/// certificate for all of them (name_targets says which).
recheck::Certificate certify_targets(const SearchProblem& problem, const RouteSearch& search);

/// Makes a certificate's targets these points (scene frame), any direction, within `tolerance_mm`.
void name_targets(recheck::Certificate& certificate, const std::vector<Eigen::Vector3d>& points_S,
                  double tolerance_mm);

/// Fills in what the certificate says of its scene: files, hashes, openings, and the scene's target, or the
/// place to pass that it is about.
void name_scene(recheck::Certificate& certificate, const Scene& scene, const Channel& channel,
                const std::string& scene_file);

}  // namespace withy
