// SPDX-License-Identifier: GPL-3.0-or-later
// From the cells that a proof reached to the leaves of a certificate (planner/proof/recheck/certificate.h).
#pragma once

#include <vector>

#include "planner/proof/recheck/certificate.h"
#include "planner/search/cells/cell_store.h"
#include "planner/search/route/cell_labels.h"

namespace withy {

/// Level k holds what reaches the target with at most k lock switches; one level holds all, where switches
/// are not counted. Every level holds what was buried with it. `labels`: of the target that was proved last;
/// none where what was buried is all.
std::vector<recheck::CertificateLeaf> certificate_leaves(const CellStore& store, const CellLabels* labels,
                                                         int levels);

/// Every leaf with engaged locks, whole: where no switch leads there from the one without. Precondition:
/// every bend is latchable, so that there is one for each set of locks.
std::vector<recheck::CertificateLeaf> whole_leaves_with_locks(const CellStore& store);

}  // namespace withy
