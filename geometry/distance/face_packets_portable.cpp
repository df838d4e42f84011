// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/distance/face_packets_loops.h"

namespace withy {

const FacePacketsKernel kFacePacketsPortable = {
    &WITHY_LANES_NAMESPACE::narrow, &WITHY_LANES_NAMESPACE::measure, &WITHY_LANES_NAMESPACE::nearest};

}  // namespace withy
