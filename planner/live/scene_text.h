// SPDX-License-Identifier: GPL-3.0-or-later
// Changing values in the text of a scene, and nothing else: comments, order and spacing stay.
//
// A value is replaced where the parser says that it stands, in a list of the same length each number for
// itself, so that comments between them stay; a list of another length that holds comments is refused. A byte
// order mark stays, and lines that are added end as the others do. A key that is missing from a table with a
// header of its own goes on the line below the header; a table that is missing goes to the end of the text.
// What comes of it is parsed again and compared with the document before: only the wanted value may differ.
// Where the text is written so that this can't be had (a key to be added to an inline table), the change is
// refused.
#pragma once

#include <string>
#include <variant>
#include <vector>

#include <tl/expected.hpp>

namespace withy {

/// A new value at a dotted key ("target.point_mm", "layout.2.station_mm", "field.coil[0].turns"). A number
/// that stands in the text as an integer stays one where it is whole.
struct SceneChange {
  std::string key;
  std::variant<double, std::vector<double>, std::string> value;
};

/// The text with all changes made; or why not, as one sentence without its full stop. Numbers must be finite.
tl::expected<std::string, std::string> changed_text(const std::string& text,
                                                    const std::vector<SceneChange>& changes);

}  // namespace withy
