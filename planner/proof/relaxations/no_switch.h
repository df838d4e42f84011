// SPDX-License-Identifier: GPL-3.0-or-later
// Lemma 26 (no first switch). A field that can engage no lock while none is engaged leaves the segment
// without locks to hold.
//
//   Statement: where no_lock_ever_engages, every state that comes from the start has all locks released.
//   Premises: the field is heeded.
//   Derivation: the start has all locks released, so the first switch on any way from it engages a lock in a
//   state of that kind. (a) Below the weakest field that switches a lock anywhere (least_strength_mT,
//   planner/segment/field.h, where it is derived) no lock ever does: where the coils' limits keep what they
//   make below that, nothing more is to be shown. (b) Else: by lemma 20 no state, of any insertion and any
//   free curvature within the limits, is one where the field does so: the whole box of them is cut in halves
//   until that is proved of every part. Rounding: (a) a dozen operations, kFieldRounding. (b) lemma 20's.
#pragma once

#include "planner/effort/effort.h"
#include "planner/segment/hardware.h"

namespace withy {

/// Proved. Looks at so many boxes for each lock at most; then nothing is.
bool no_lock_ever_engages(const Hardware& hardware, int most_boxes, const Effort& effort = Effort());

}  // namespace withy
