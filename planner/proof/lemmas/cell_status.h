// SPDX-License-Identifier: GPL-3.0-or-later
// What is proved of a box of states.
#pragma once

#include <cstdint>

namespace withy {

/// What is proved of every state in a cell.
enum class CellStatus : std::uint8_t {
  unknown,  ///< not looked at yet
  free,     ///< all are legal
  mixed,    ///< some may be, some may not: splitting will tell
  blocked   ///< none is legal
};

/// Of two limits that both have to be kept.
inline CellStatus both(CellStatus a, CellStatus b) {
  if (a == CellStatus::blocked || b == CellStatus::blocked) return CellStatus::blocked;
  return a == CellStatus::free && b == CellStatus::free ? CellStatus::free : CellStatus::mixed;
}

}  // namespace withy
