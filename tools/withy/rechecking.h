// SPDX-License-Identifier: GPL-3.0-or-later
// What the commands that recheck share: one text checked against one scene, and what to say of it.
#pragma once

#include <filesystem>
#include <optional>
#include <string>

#include "planner/effort/effort.h"
#include "planner/proof/recheck/check_proof.h"
#include "tools/withy/command.h"
#include "tools/withy/progress.h"

namespace withy {

/// A file that unpacks to more is refused.
inline constexpr std::size_t kMostCertificateBytes = std::size_t{128} << 20U;

struct Rechecked {
  recheck::Verdict verdict = recheck::Verdict::holds;
  std::string sentence;
  ExitStatus status = ExitStatus::done;
};

struct RecheckOptions {
  std::optional<double> clearance_mm = std::nullopt;  ///< asked for, where it is not the scene's
  /// What has not been decided when it is spent is left undecided. It counts no work.
  Effort effort = {};
};

/// `text`: a certificate or a plan; `file`: its name, for errors.
Result<Rechecked> recheck_text(const std::string& text, const std::string& file, const Scene& scene,
                               const WallDistance& wall, const RecheckOptions& options, Progress& progress);

/// Of several: the worst status, a fault before what was left open.
ExitStatus worse(ExitStatus a, ExitStatus b);

/// `file` with `locks` before its ending, where several lock counts share a name.
std::filesystem::path file_for_count(const std::filesystem::path& file, int locks, bool several);

/// A certificate's text as a file of this name holds it: packed where it ends in .gz.
std::string certificate_bytes(const recheck::Certificate& certificate, const std::filesystem::path& file);

}  // namespace withy
