// SPDX-License-Identifier: GPL-3.0-or-later
#include "geometry/distance/lanes.h"

namespace withy {

bool cpu_has_avx2() {
#if defined(__x86_64__)
  static const bool has = __builtin_cpu_supports("avx2") && __builtin_cpu_supports("fma");
  return has;
#else
  return false;
#endif
}

}  // namespace withy
