// SPDX-License-Identifier: GPL-3.0-or-later
// Certificates of boxes of stations that together hold every layout of a lock count.
//
// A file: JSON lines, gzip-compressed or not. The first line is
//   {"format":"withy-layout-proofs","version":1,"locks":1,"boxes":211}
// and then so many certificates follow (certificate.h), header line and leaves of each.
//
// Stations of a layout: s_1 >= w/2, s_{i+1} >= s_i + w, s_N <= L - w_tip - w/2, w a lock's length. The boxes
// are carved out of the box about all of those, one after the other, along their faces; where what is left
// holds no layout, all are covered.
#pragma once

#include <string>
#include <vector>

#include "planner/proof/recheck/certificate.h"
#include "planner/proof/recheck/check_proof.h"

namespace withy::recheck {

struct LayoutProofs {
  int locks = 0;
  std::vector<Certificate> boxes;
};

bool are_layout_proofs(const std::string& text);
Result<LayoutProofs> read_layout_proofs(const std::string& text, const std::string& file);
/// The first line. Behind it come the certificates' texts.
std::string layout_proofs_header(int locks, std::size_t boxes);

/// Stations of a layout that lies in no box; empty where every layout lies in one.
std::vector<double> uncovered_layout(const LayoutProofs& proofs, const Scene& scene);

/// Do they prove that no layout reaches: is every layout in a box, and does every certificate hold?
ProofReport check_layout_proofs(const LayoutProofs& proofs, const Scene& scene, const WallDistance& distance,
                                const CheckSettings& settings);

}  // namespace withy::recheck
