// SPDX-License-Identifier: GPL-3.0-or-later
// What a workshop needs to build the segment of a scene: where everything sits along it and around it.
//
// Along the segment everything is measured from the base, on the straight segment (stations, mm). Around it,
// angles count from the section's x towards its y, and sections are seen from the tip, so that y is a quarter
// turn to the left of x.
//
// Notches. Secondary backbone k, fixed at the base, runs at radius r_b, angle psi_k. Where the segment bends,
// its path to lock i is shorter than the centreline's by
//     delta_k = r_b (cos psi_k, sin psi_k) . Theta                                                     (1)
// (latch.h), Theta the bending angle vectors of all regions up to the lock summed. So at the lock lies the
// place of the backbone that is
//     s_i - delta_k                                                                                    (2)
// from the base. The lock holds slides of n p, so notches sit at s_i - n p from the base. A region bends by
// at most kappa_max times its flexible length, so
//     |delta_k| <= r_b kappa_max f(0, s_i),                                                            (3)
// f the flexible length between the base and the lock; notches beyond are never used and not listed. (3)
// doesn't depend on k or on which locks are engaged: each backbone has the same notches.
#pragma once

#include <string>
#include <vector>

#include "planner/files/input_error.h"
#include "planner/scene/scene.h"

namespace withy {

/// More notches than this are not listed: nobody makes them one by one.
inline constexpr int kMostNotches = 100'000;

/// A hole, or the middle of a backbone, in the cross-section.
struct SectionPlace {
  double radius_mm = 0.0;
  double angle_rad = 0.0;
};

struct LockPlace {
  double station_mm = 0.0;
  double from_mm = 0.0;
  double to_mm = 0.0;
  double magnet_free_rad = 0.0;     ///< of the moment, clocking included
  double magnet_latched_rad = 0.0;  ///< the same
  double travel_mm = 0.0;           ///< most slide of a backbone here, either way: (3)
  int notches = 0;                  ///< on either side of the one at the station; 0 without notches
};

struct DiskPlace {
  double station_mm = 0.0;
  int lock = -1;        ///< lies within this lock's body; -1: within none
  bool in_tip = false;  ///< lies within the rigid tip
};

/// A value of the scene that the sheet rests on.
struct GivenValue {
  std::string key;  ///< as the scene file has it: "segment.length_mm"
  double value = 0.0;
  std::string unit;
};

struct BuildSheet {
  const Scene& scene;
  const Design& design;
  std::string scene_file;  ///< as files beside the sheet name it
  std::vector<LockPlace> locks;
  std::vector<DiskPlace> disks;         ///< empty: continuous routing, or no tendons
  std::vector<SectionPlace> tendons;    ///< empty without [tendons]
  std::vector<SectionPlace> backbones;  ///< empty without [latch]
  double pitch_mm = 0.0;                ///< of notches; 0: none
  double end_travel_mm = 0.0;  ///< most slide of a backbone's free end at the tip, either way: (3) at L
  std::vector<GivenValue> given;
  std::vector<std::string> remarks;  ///< what would go wrong in the workshop, a sentence each
};

/// Everything of a design, with remarks on what clashes. Errors, at the scene's key: more notches than
/// kMostNotches.
Result<BuildSheet> make_build_sheet(const Scene& scene, const Design& design, const std::string& scene_file);

/// Where notch n of a lock sits, mm from the base along the backbone: (2).
inline double notch_mm(const BuildSheet& sheet, const LockPlace& lock, int n) {
  return lock.station_mm - n * sheet.pitch_mm;
}

}  // namespace withy
