// SPDX-License-Identifier: GPL-3.0-or-later
// Headers that are lines of text: NRRD's "name: value" (G. Kindlmann, "Definition of NRRD File Format", Teem)
// and MetaImage's "name = value".
#pragma once

#include <cstddef>
#include <filesystem>
#include <initializer_list>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include <tl/expected.hpp>

#include "geometry/volume/volume.h"

namespace withy {

struct HeaderField {
  std::string name;     ///< in lower case
  std::string value;    ///< as it is written, without blanks at its ends
  std::string written;  ///< both, as they are written
  int line = 1;         ///< from 1
};

class TextHeader {
 public:
  enum class Format {
    nrrd,  ///< ends at an empty line, behind a list of files, or with the file
    meta   ///< ends with the line ElementDataFile
  };

  /// Nothing where the file can't be read, or its first lines are no such header.
  static std::optional<TextHeader> read(const std::filesystem::path& file, Format format);

  /// The first field of one of these names, in lower case; nothing where there is none.
  const HeaderField* find(std::initializer_list<std::string_view> names) const;
  const std::vector<HeaderField>& fields() const { return fields_; }

  /// The first line, which in NRRD is its magic word.
  const std::string& first_line() const { return first_line_; }

  /// Bytes of the header.
  std::size_t end() const { return end_; }

 private:
  std::vector<HeaderField> fields_;
  std::string first_line_;
  std::size_t end_ = 0;
};

std::string lower_case(std::string text);

/// A field's words, at blanks.
std::vector<std::string> words_of(std::string_view text);

/// All words as numbers, `count` of them; nothing where they are others.
std::optional<std::vector<double>> numbers_of(const std::vector<std::string>& words, std::size_t count);

/// A word that is a whole number, which may have a sign, as a number.
std::optional<double> whole_number(std::string_view word);

/// What a refused field is said to be: `its header gives "sizes: 3 4"`.
std::string given(const HeaderField& field);

/// The same with its line.
VolumeRefusal refused_field(const HeaderField& field, std::string problem, std::string remedy);

/// A name of files by their numbers, "slice%03d.raw": the one of a number. Nothing where it is none.
std::optional<std::string> numbered_name(const std::string& pattern, double number);

}  // namespace withy
