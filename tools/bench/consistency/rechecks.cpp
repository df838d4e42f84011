// SPDX-License-Identifier: GPL-3.0-or-later
#include "tools/bench/consistency/rechecks.h"

#include <chrono>

#include "planner/proof/plans/check_plan.h"
#include "planner/proof/recheck/check_proof.h"

namespace withy::consistency {
namespace {

// What a check may take (s); one that is stopped could not decide.
constexpr double kMostSeconds = 60.0;

class Clock {
 public:
  double seconds() const {
    return std::chrono::duration<double>(std::chrono::steady_clock::now() - start_).count();
  }
  recheck::CheckSettings settings() const {
    recheck::CheckSettings settings;
    settings.stop = [this] { return seconds() > kMostSeconds; };
    return settings;
  }

 private:
  std::chrono::steady_clock::time_point start_ = std::chrono::steady_clock::now();
};

recheck::Outcome unreadable(const InputError& error) {
  return {recheck::Verdict::does_not_hold, error.message()};
}

}  // namespace

Recheck recheck_plan(const std::string& text, const PreparedScene& prepared) {
  const Clock clock;
  const auto report =
      recheck::check_plan(text, "the plan", prepared.scene, prepared.wall(), clock.settings());
  return {true, report ? report->outcome : unreadable(report.error()), clock.seconds()};
}

Recheck recheck_proof(const recheck::Certificate& certificate, const PreparedScene& prepared) {
  const Clock clock;
  const auto read = recheck::read_certificate(recheck::write_certificate(certificate), "the proof");
  if (!read) return {false, unreadable(read.error()), clock.seconds()};
  auto outcome = recheck::check_proof(*read, prepared.scene, prepared.wall(), clock.settings()).outcome;
  return {false, std::move(outcome), clock.seconds()};
}

}  // namespace withy::consistency
