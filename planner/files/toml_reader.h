// SPDX-License-Identifier: GPL-3.0-or-later
// Reading a TOML 1.0 file strictly: every key must be known, present and of its type, and each fault knows
// its place.
//
// Usage: open the file, take tables and values by name from root(), close() every table (what was not asked
// for is then an unknown key), and check first_fault() before using anything that was read. Reading goes on
// after a fault with stand-in values, so that the fault reported is the first in the file, not the first that
// was asked for.
#pragma once

#include <filesystem>
#include <functional>
#include <initializer_list>
#include <map>
#include <memory>
#include <optional>
#include <set>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include <Eigen/Core>
#include <toml++/impl/forward_declarations.h>

#include "planner/files/input_error.h"

namespace withy {

class TomlFile;

/// A position that may lie in another file than the one being read, where a key was amended from there.
struct FilePosition : SourcePosition {
  std::string file;  ///< empty: the file being read
};

/// One table of an open TomlFile (which must outlive it), or the stand-in for a missing one: every value of a
/// stand-in reads as its type's zero and nothing about it is reported a second time.
class TomlSection {
 public:
  /// Was the key given? Counts as asking for it.
  bool has(std::string_view key);
  /// Is it a table? Counts as asking for it.
  bool has_table(std::string_view key);
  /// Is it an array? Counts as asking for it.
  bool has_array(std::string_view key);

  double number(std::string_view key);  ///< finite; an integer will do
  int whole_number(std::string_view key);
  std::vector<int> whole_numbers(std::string_view key);
  std::string text(std::string_view key);
  std::vector<double> numbers(std::string_view key);
  std::vector<std::string> texts(std::string_view key);
  Eigen::Vector3d vector3(std::string_view key);
  std::vector<Eigen::Vector3d> vectors3(std::string_view key);

  /// One of a few words, by its meaning.
  template <class Meaning>
  Meaning word(std::string_view key, std::initializer_list<std::pair<std::string_view, Meaning>> words) {
    const std::string given = text(key);
    std::string known;
    for (const auto& [name, meaning] : words) {
      if (given == name) return meaning;
      known += (known.empty() ? "\"" : ", \"") + std::string(name) + "\"";
    }
    unknown_word(key, given, known);
    return words.begin()->second;
  }

  TomlSection table(std::string_view key);
  std::optional<TomlSection> optional_table(std::string_view key);

  /// An array of tables ([[name]]), in file order; a fault when it is missing or empty.
  std::vector<TomlSection> tables(std::string_view key);
  /// The same, empty when it is missing.
  std::vector<TomlSection> optional_tables(std::string_view key);

  /// Names of all keys, in file order.
  std::vector<std::string> keys() const;

  /// The dotted name of a key of this table.
  std::string dotted(std::string_view key) const;

  /// Reports every key that nobody asked for. Call it when all has been read.
  void close();

 private:
  friend class TomlFile;
  TomlSection(TomlFile* file, const toml::table* table, std::string name);

  /// The key's node; a missing one is reported as `wanted` ("a number").
  const toml::node* node(std::string_view key, std::string_view wanted);
  const toml::array* array(std::string_view key, std::string_view wanted);
  double number_in(const toml::node& node, std::string_view name, std::string_view wanted);
  int whole_number_in(const toml::node& node, std::string_view name);
  Eigen::Vector3d vector_in(const toml::node& node, std::string_view name, std::string_view wanted);
  void wrong_type(const toml::node& node, std::string_view name, std::string_view wanted);
  void unknown_word(std::string_view key, const std::string& given, const std::string& known);

  TomlFile* file_;
  const toml::table* table_;  // null in a stand-in
  std::string name_;          // dotted, empty for the root
  std::set<std::string, std::less<>> asked_;
};

class TomlFile {
 public:
  /// Parses the file. Errors: it can't be read, or is no TOML.
  static Result<std::unique_ptr<TomlFile>> open(const std::filesystem::path& file);
  /// The same of bytes at hand; faults name `file`.
  static Result<std::unique_ptr<TomlFile>> parse(std::string bytes, std::string file);

  ~TomlFile();
  TomlFile(const TomlFile&) = delete;
  TomlFile& operator=(const TomlFile&) = delete;

  TomlSection root();
  const std::string& bytes() const { return bytes_; }

  /// Dotted key ("target.point_mm", "layout.1") -> where its value (or table) begins.
  const std::map<std::string, FilePosition>& positions() const { return positions_; }

  /// Takes element `index` out of the array of tables `array`, which must have it. Nodes keep their places.
  toml::table take_table(std::string_view array, std::size_t index);

  /// Puts values into the document, in place of those of the same name or beside them; tables are merged, all
  /// else is replaced whole. Faults found in them later are reported where they were parsed.
  void amend(toml::table changes);

  /// The document as TOML text: the same values as now, without comments, keys in alphabetical order.
  std::string text() const;

  /// Changes the number at a dotted key, or each number of the array there, in order. False: neither is
  /// there.
  bool change_numbers(const std::string& dotted_key, const std::function<double(double)>& change);

  /// Records a fault at a dotted key, or at its nearest ancestor that stands in the file.
  void fault(const std::string& dotted_key, std::string problem, std::string remedy);
  void fault(const FilePosition& at, std::string problem, std::string remedy);
  /// The same of values that are sound by themselves and don't go together.
  void fault_of_values_together(const std::string& dotted_key, std::string problem, std::string remedy);

  /// The fault that stands first in the file, if there is any.
  std::optional<InputError> first_fault() const;

 private:
  friend class TomlSection;
  TomlFile();
  FilePosition place_of(const toml::source_region& source) const;
  void note_positions(const toml::table& table, const std::string& prefix);

  std::string name_;
  std::string bytes_;
  std::unique_ptr<toml::table> document_;
  std::map<std::string, FilePosition> positions_;
  std::vector<InputError> faults_;
};

/// Where a dotted key stands, or its nearest ancestor that does; 1:1 when none does.
FilePosition find_position(const std::map<std::string, FilePosition>& positions, std::string dotted_key);

/// All bytes of a file; an error at 1:1 when it can't be read.
Result<std::string> read_bytes(const std::filesystem::path& file);

}  // namespace withy
