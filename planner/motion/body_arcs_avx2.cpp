// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/motion/body_arcs_loops.h"

namespace withy {

const BodyLoops kBodyLoopsAvx2 = {&WITHY_LANES_NAMESPACE::points, &WITHY_LANES_NAMESPACE::allowances};

}  // namespace withy
