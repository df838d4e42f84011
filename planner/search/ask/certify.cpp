// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/ask/certify.h"

#include <algorithm>
#include <map>
#include <set>
#include <utility>

#include "planner/effort/shares.h"
#include "planner/proof/relaxations/curve_reach.h"
#include "planner/proof/relaxations/tip_passage.h"
#include "planner/search/route/certificate_leaves.h"

namespace withy {

namespace {

bool counts_switches(const RouteSearchSettings& settings) {
  return settings.most_switches < RouteSearchSettings::kAnySwitches;
}

std::vector<recheck::CubeRow> rows_of(const std::vector<std::array<std::int64_t, 3>>& cubes) {
  static_assert(kTipCube_mm == recheck::kCubeEdge_mm);
  std::map<std::array<std::int64_t, 2>, std::set<std::int64_t>> along;  // z, y: x
  for (const auto& [x, y, z] : cubes) along[{z, y}].insert(x);
  std::vector<recheck::CubeRow> rows;
  for (const auto& [at, xs] : along) {
    recheck::CubeRow row{at[1], at[0], {}};
    for (const std::int64_t x : xs)
      if (!row.runs.empty() && row.runs.back()[1] == x - 1)
        row.runs.back()[1] = x;
      else
        row.runs.push_back({x, x});
    rows.push_back(std::move(row));
  }
  return rows;
}

recheck::CertificateHeader header_of(const SearchProblem& problem) {
  recheck::CertificateHeader header;
  header.claim = "unreachable";
  header.locks = problem.design.lock_count();
  header.required_clearance_mm = problem.required_clearance_mm;
  header.limits = {"insertion", "curvature"};
  if (problem.heeded.clearance) header.limits.emplace_back("clearance");
  return header;
}

/// `labels`: of the last target's proof; none: what earlier proofs buried is all.
recheck::Certificate certificate_of(const SearchProblem& problem, const CellStore& cells,
                                    const CellLabels* labels, const RouteSearchSettings& settings) {
  recheck::Certificate certificate;
  recheck::CertificateHeader& header = certificate.header;
  header = header_of(problem);
  if (counts_switches(settings)) {
    header.claim = "fewer_switches";
    header.most_switches = settings.most_switches;
  }
  const HeededLimits& heeded = problem.heeded;
  if (heeded.latch && problem.design.latch() && problem.design.lock_count() > 0)
    header.limits.emplace_back("latch");
  if (heeded.tendons && problem.design.tendons()) header.limits.emplace_back("tendons");
  if (heeded.field && problem.design.field() && problem.design.lock_count() > 0)
    header.limits.emplace_back("field");
  certificate.leaves = certificate_leaves(cells, labels, header.most_switches.value_or(0) + 1);
  header.leaves = certificate.leaves.size();
  return certificate;
}

/// The question with any switch allowed; nothing where it is that already.
std::optional<SearchProblem> with_any_switch(const SearchProblem& problem) {
  if (!problem.heeded.field || !problem.design.field() || problem.design.lock_count() == 0)
    return std::nullopt;
  SearchProblem any_switch = problem;
  any_switch.heeded.field = false;
  return any_switch;
}

std::int64_t work_to_certify(const RouteSearch& search) {
  return std::max(shares::kCertifyFloor, shares::kCertifyTimes * search.work());
}

/// Of a proof by spans of insertion.
recheck::Certificate certify_spans(const SearchProblem& problem, const RouteSearch& search,
                                   const RouteSearchSettings& settings) {
  if (const auto any_switch = with_any_switch(problem)) {
    SpanProof without(*any_switch);
    without.begin(any_switch->goal);
    if (without.run(settings.effort.renewed(work_to_certify(search))) == SpanProof::Outcome::proved)
      return certificate_of(*any_switch, without.cells(), nullptr, settings);
  }
  return certificate_of(problem, search.span_cells(), nullptr, settings);
}

}  // namespace

recheck::Certificate certify(const SearchProblem& problem, const RouteSearch& search,
                             const RouteSearchSettings& settings) {
  if (search.proof() == ProofKind::no_switch_in) return certify_spans(problem, search, settings);
  if (const auto any_switch = with_any_switch(problem)) {
    RouteSearchSettings again = settings;
    again.relaxations = again.spans = false;
    again.effort = settings.effort.renewed(work_to_certify(search));
    RouteSearch without(*any_switch, again);
    if (without.run(any_switch->goal) == SearchOutcome::proved_none)
      return certificate_of(*any_switch, without.cells(), &without.labels(), settings);
  }
  return certificate_of(problem, search.cells(), &search.labels(), settings);
}

bool is_by_tip(ProofKind kind) {
  return said_by(kind).has_value();
}

std::optional<recheck::Certificate> certify_passage(const SearchProblem& problem, const Goal& goal,
                                                    const Effort& effort) {
  recheck::Certificate certificate;
  certificate.header = header_of(problem);
  const TipBall ball{problem.design.segment().radius_mm, problem.required_clearance_mm, goal.point_E,
                     goal.tolerance_mm};
  const TipWish wish{goal.point_E, goal.tolerance_mm, goal.direction_E, goal.direction_tolerance_rad};
  if (!beyond_all_curves(problem.design, wish) && !no_room_at_target(problem.distance->exact(), ball)) {
    const auto field = problem.distance->field_pointer();
    if (!field) return std::nullopt;
    const TipPassage passage = tip_passage(field, ball, shares::kPassageCubes, effort);
    if (!passage.sealed) return std::nullopt;
    certificate.cubes = rows_of(passage.open);
  }
  certificate.header.cubes = certificate.cubes.size();
  return certificate;
}

std::optional<recheck::Certificate> certify_any_proof(const SearchProblem& problem, const RouteSearch& search,
                                                      const RouteSearchSettings& settings) {
  if (is_by_tip(search.proof()) && problem.heeded.clearance)
    if (auto certificate = certify_passage(problem, problem.goal, settings.effort)) return certificate;
  if (search.proof() == ProofKind::no_switch_in ||
      (search.proof() == ProofKind::cells && !search.switchless()))
    return certify(problem, search, settings);
  if (search.proof() == ProofKind::cells && search.cells().chart().kind() == LatticeKind::everything) {
    recheck::Certificate certificate = certificate_of(problem, search.cells(), &search.labels(), settings);
    for (recheck::CertificateLeaf& leaf : whole_leaves_with_locks(search.cells()))
      certificate.leaves.push_back(std::move(leaf));
    certificate.header.leaves = certificate.leaves.size();
    return certificate;
  }
  RouteSearchSettings whole = settings;
  whole.relaxations = false;
  RouteSearch again(problem, whole);
  if (again.run(problem.goal) != SearchOutcome::proved_none) return std::nullopt;
  return certify(problem, again, whole);
}

recheck::Certificate certify_targets(const SearchProblem& problem, const RouteSearch& search) {
  recheck::Certificate certificate = certificate_of(problem, search.cells(), nullptr, RouteSearchSettings{});
  certificate.header.claim = "targets";
  return certificate;
}

void name_targets(recheck::Certificate& certificate, const std::vector<Eigen::Vector3d>& points_S,
                  double tolerance_mm) {
  certificate.header.targets.clear();
  for (const Eigen::Vector3d& point_S : points_S)
    certificate.header.targets.push_back({point_S, tolerance_mm, std::nullopt, 0.0});
}

void name_scene(recheck::Certificate& certificate, const Scene& scene, const Channel& channel,
                const std::string& scene_file) {
  recheck::CertificateHeader& header = certificate.header;
  header.version_of_withy = WITHY_VERSION;
  header.scene_file = scene_file;
  header.scene_sha256 = scene.sha256;
  header.mesh_sha256 = scene.mesh_sha256;
  const Target& target = header.via ? scene.vias.at(*header.via) : scene.target;
  header.targets = {
      {target.point_S, target.tolerance_mm, target.direction_S, target.direction_tolerance_rad}};
  header.openings.clear();
  for (const Opening& opening : channel.openings)
    header.openings.push_back({scene.entry.X_SE * opening.centre_E, opening.radius_mm, opening.is_entry});
}

}  // namespace withy
