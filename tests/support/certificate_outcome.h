// SPDX-License-Identifier: GPL-3.0-or-later
// What the checker says of a certificate.
#pragma once

#include <catch2/catch.hpp>

#include "planner/proof/recheck/check_proof.h"
#include "planner/search/ask/scene_problem.h"

namespace withy_test {

/// By way of the file, so that what is written is what is checked.
inline withy::recheck::Outcome outcome_of(const withy::PreparedScene& prepared,
                                          const withy::recheck::Certificate& certificate) {
  using namespace withy::recheck;
  const auto read = read_certificate(write_certificate(certificate), "certificate");
  REQUIRE(read);
  return check_proof(*read, prepared.scene, prepared.wall(), {}).outcome;
}

}  // namespace withy_test
