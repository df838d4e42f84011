// SPDX-License-Identifier: GPL-3.0-or-later
#include "tools/withy/rechecking.h"

#include <algorithm>
#include <mutex>

#include <fmt/format.h>

#include "geometry/numbers/numbers.h"
#include "planner/proof/layouts/all_layouts.h"
#include "planner/proof/plans/check_plan.h"

namespace withy {
namespace {

Rechecked rechecked(const recheck::Outcome& outcome, const std::string& what) {
  switch (outcome.verdict) {
    case recheck::Verdict::holds:
      return {outcome.verdict, "holds: " + what, ExitStatus::done};
    case recheck::Verdict::does_not_hold:
      return {outcome.verdict, "does not hold: " + outcome.why, ExitStatus::does_not_hold};
    case recheck::Verdict::could_not_decide:
      return {outcome.verdict, "could not decide " + outcome.why, ExitStatus::undecided};
  }
  return {outcome.verdict, "", ExitStatus::our_fault};
}

/// "2 locks", and where they are, if that is not where the scene has them.
std::string locks_phrase(const recheck::CertificateHeader& header) {
  const std::string count = fmt::format("{} lock{}", header.locks, header.locks == 1 ? "" : "s");
  if (!header.layout) return count;
  const auto listed = [](const std::vector<double>& values, double factor) {
    std::string out;
    for (const double value : values) out += fmt::format("{}{:.6g}", out.empty() ? "" : ", ", value * factor);
    return out;
  };
  const auto& clock = header.layout->clock_rad;
  return fmt::format(
      "{} at {} mm ({})", count, listed(header.layout->station_mm, 1.0),
      clock ? "clocked by " + listed(*clock, kDegreesPerRadian) + " deg" : "whatever the clocking");
}

/// "within 2 mm of (20, 0, 70), pointing within 12 degrees of (1, 0, 0)".
std::string target_phrase(const recheck::ProvedTarget& target) {
  const auto spoken = [](const Eigen::Vector3d& v) {
    return fmt::format("({:.4g}, {:.4g}, {:.4g})", v.x(), v.y(), v.z());
  };
  std::string out = fmt::format("within {:.4g} mm of {}", target.tolerance_mm, spoken(target.point_S));
  if (target.direction_S)
    out += fmt::format(", pointing within {:.4g} degrees of {}", degrees(target.direction_tolerance_rad),
                       spoken(*target.direction_S));
  return out;
}

/// What a certificate proves, as a sentence.
std::string claim_of(const recheck::CertificateHeader& header, const Scene& scene) {
  std::string what = "the tip ";
  if (header.via) what += fmt::format("to place {} of those to pass, ", *header.via + 1);
  if (header.targets.size() > 1) what += fmt::format("to any of {} targets (", header.targets.size());
  for (std::size_t i = 0; i < header.targets.size(); ++i)
    what += (i == 0 ? "" : "; ") + target_phrase(header.targets[i]);
  if (header.targets.size() > 1) what += ")";
  const std::string how = header.most_switches ? fmt::format(" with at most {} lock switches on the way in",
                                                             *header.most_switches)
                                               : "";
  const std::string scenes =
      header.required_clearance_mm > scene.required_clearance_mm
          ? fmt::format(", more than the {:.4g} mm that the scene requires", scene.required_clearance_mm)
          : "";
  const std::string wherever = !header.cubes       ? ""
                               : header.locks == 1 ? " wherever it sits and whatever it holds"
                                                   : " wherever they sit and whatever they hold";
  return fmt::format("no sequence of actions brings {} with {}{}{}, keeping {:.4g} mm of clearance{}", what,
                     locks_phrase(header), header.locks > 0 ? wherever : "", how,
                     header.required_clearance_mm, scenes);
}

}  // namespace

Result<Rechecked> recheck_text(const std::string& text, const std::string& file, const Scene& scene,
                               const WallDistance& wall, const RecheckOptions& options, Progress& progress) {
  recheck::CheckSettings settings;
  settings.clearance_mm = options.clearance_mm;
  settings.stop = [&] { return options.effort.cut_short(); };
  std::mutex mutex;
  std::string last;
  settings.progress = [&](const std::string& what, double done) {
    const std::lock_guard lock(mutex);
    if (what != last) progress.stage("rechecking " + what);
    last = what;
    if (done >= 0.0) progress.fraction(done);
  };
  if (recheck::is_certificate(text)) {
    const auto certificate = recheck::read_certificate(text, file);
    if (!certificate) return tl::unexpected(certificate.error());
    progress.stage("rechecking");
    const recheck::ProofReport report = recheck::check_proof(*certificate, scene, wall, settings);
    return rechecked(report.outcome, claim_of(certificate->header, scene));
  }
  if (recheck::are_layout_proofs(text)) {
    const auto proofs = recheck::read_layout_proofs(text, file);
    if (!proofs) return tl::unexpected(proofs.error());
    const recheck::ProofReport report = recheck::check_layout_proofs(*proofs, scene, wall, settings);
    const auto by_place =
        std::count_if(proofs->boxes.begin(), proofs->boxes.end(),
                      [](const recheck::Certificate& box) { return box.header.via.has_value(); });
    return rechecked(
        report.outcome,
        fmt::format("no layout of {} lock{} brings the tip to the target{}: {} boxes hold every layout, "
                    "whatever the clocking{}",
                    proofs->locks, proofs->locks == 1 ? "" : "s",
                    by_place > 0 ? " by way of all places to pass" : "", proofs->boxes.size(),
                    by_place > 0 ? fmt::format("; of {} a place to pass can't be reached", by_place) : ""));
  }
  progress.stage("rechecking");
  const auto report = recheck::check_plan(text, file, scene, wall, settings);
  if (!report) return tl::unexpected(report.error());
  return rechecked(report->outcome, report->what);
}

ExitStatus worse(ExitStatus a, ExitStatus b) {
  for (const ExitStatus status : {ExitStatus::does_not_hold, ExitStatus::undecided})
    if (a == status || b == status) return status;
  return a;
}

std::filesystem::path file_for_count(const std::filesystem::path& file, int locks, bool several) {
  if (!several) return file;
  std::filesystem::path ending = file.extension();
  std::filesystem::path stem = file.stem();
  if (ending == ".gz") {
    ending = stem.extension().string() + ending.string();
    stem = stem.stem();
  }
  return file.parent_path() / fmt::format("{}-{}{}", stem.string(), locks, ending.string());
}

std::string certificate_bytes(const recheck::Certificate& certificate, const std::filesystem::path& file) {
  std::string text = recheck::write_certificate(certificate);
  return file.extension() == ".gz" ? recheck::packed(text) : text;
}

}  // namespace withy
