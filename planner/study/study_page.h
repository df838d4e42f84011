// SPDX-License-Identifier: GPL-3.0-or-later
// The summary of a study as one self-contained page: a table of scenes and designs against lock counts.
// Verdicts are told by sign, word and hatching as well as by colour, so that print and eyes without colour
// lose nothing.
#pragma once

#include <string>

namespace withy {

struct StudyResults;

std::string study_page(const StudyResults& results);

}  // namespace withy
