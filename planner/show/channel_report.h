// SPDX-License-Identifier: GPL-3.0-or-later
// What a scene's channel is like, in lines for people: mesh, openings, branches, the narrowest and the widest
// place, what body fits where, body and locks.
//
// A body "fits" along a way when no point of the way's middle line is nearer to the wall than its radius.
// Thicker bodies may still get along away from the middle line, and thinner ones may be stopped by what else
// a plan needs.
//
// Places in the scene frame, mm.
#pragma once

#include <string>
#include <vector>

#include "geometry/centreline/centreline.h"
#include "geometry/channel/channel.h"
#include "planner/scene/scene.h"

namespace withy {

struct ReportLine {
  std::string about;
  std::string text;
};

std::vector<ReportLine> channel_report(const Scene& scene, const Channel& channel,
                                       const Centreline& centreline);

std::vector<ReportLine> body_report(const Design& design, double entry_room_mm);

/// As a table of two columns, a line each.
std::string report_text(const std::vector<ReportLine>& lines);

}  // namespace withy
