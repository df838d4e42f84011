// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/cells/slice_look.h"

#include <algorithm>

namespace withy {

namespace {

// A part that moves the tip by no more than this (mm) and is not blocked is as good as legal: far below the
// clearances that benches have.
constexpr double kFinestPart_mm = 0.05;

Box middle_of(Box box) {
  for (int k = 0; k < box.dimensions; ++k) box.low[Box::idx(k)] = box.high[Box::idx(k)] = box.centre(k);
  return box;
}

}  // namespace

SliceLook::Finding SliceLook::go_on(CellProbe& probe, std::int64_t looks) {
  const std::int64_t enough = looks_ + looks;
  while (finding_ == Finding::open && looks_ < enough) {
    if (parts_.empty()) {
      finding_ = Finding::blocked;
      break;
    }
    std::pop_heap(parts_.begin(), parts_.end());
    const Part part = parts_.back();
    parts_.pop_back();
    if (middle_is_legal(probe, part))
      finding_ = Finding::some_legal;
    else
      look_at(probe, part.box);
  }
  return finding_;
}

/// What the wall allows is asked of the hardware as well.
bool SliceLook::middle_is_legal(CellProbe& probe, const Part& part) {
  if (part.room_mm < probe.problem().required_clearance_mm) return false;
  ++looks_;
  return probe.check(leaf_, middle_of(part.box)).status == CellStatus::free;
}

void SliceLook::look_at(CellProbe& probe, const Box& box) {
  ++looks_;
  const CellLook look = probe.check(leaf_, box);
  if (look.status == CellStatus::blocked) return;
  const CellTravel tip = probe.travel(leaf_, box, look.slides);
  if (look.status == CellStatus::free || tip.total <= kFinestPart_mm) {
    finding_ = Finding::some_legal;
    return;
  }
  const int k = look.cut_insertion ? 0 : tip.widest;
  Box low = box;
  Box high = box;
  low.high[Box::idx(k)] = high.low[Box::idx(k)] = box.centre(k);
  add(probe, low);
  add(probe, high);
}

void SliceLook::add(CellProbe& probe, const Box& box) {
  ++looks_;
  parts_.push_back({box, probe.body_margin(centre_state(probe.chart(), leaf_, box))});
  std::push_heap(parts_.begin(), parts_.end());
}

}  // namespace withy
