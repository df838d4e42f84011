// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/files/toml_reader.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <sstream>
#include <tuple>

#include <fmt/core.h>
#include <toml++/toml.h>

#include "planner/files/input_file.h"
#include "planner/files/ranges.h"
#include "planner/files/toml_depth.h"
#include "planner/files/words.h"

namespace withy {
namespace {

SourcePosition position_of(const toml::source_position& at) {
  // The parser leaves 0 where a node has no place of its own (the root).
  return {std::max(1, static_cast<int>(at.line)), std::max(1, static_cast<int>(at.column))};
}

/// Moves every value of `from` into `into`: tables key by key, all else whole.
void merge(toml::table& into, toml::table& from) {
  for (auto&& [key, value] : from) {
    toml::node* const present = into.get(key.str());
    if (present != nullptr && present->is_table() && value.is_table())
      merge(*present->as_table(), *value.as_table());
    else
      into.insert_or_assign(key, std::move(value));
  }
}

bool before(const SourcePosition& a, const SourcePosition& b) {
  return a.line != b.line ? a.line < b.line : a.column < b.column;
}

std::string_view type_of(const toml::node& node) {
  switch (node.type()) {
    case toml::node_type::table:
      return "a table";
    case toml::node_type::array:
      return "an array";
    case toml::node_type::string:
      return "a string";
    case toml::node_type::integer:
      return "an integer";
    case toml::node_type::floating_point:
      return "a number";
    case toml::node_type::boolean:
      return "a boolean";
    default:
      return "a date or time";
  }
}

/// The parser's own words, on one line and without its full stop.
std::string one_line(std::string_view text) {
  std::string line(text);
  std::replace(line.begin(), line.end(), '\n', ' ');
  while (!line.empty() && (line.back() == '.' || line.back() == ' ')) line.pop_back();
  return line;
}

}  // namespace

TomlSection::TomlSection(TomlFile* file, const toml::table* table, std::string name)
    : file_(file), table_(table), name_(std::move(name)) {}

std::string TomlSection::dotted(std::string_view key) const {
  return name_.empty() ? std::string(key) : name_ + "." + std::string(key);
}

bool TomlSection::has(std::string_view key) {
  asked_.emplace(key);
  return table_ != nullptr && table_->contains(key);
}

bool TomlSection::has_table(std::string_view key) {
  return has(key) && table_->get(key)->is_table();
}

bool TomlSection::has_array(std::string_view key) {
  return has(key) && table_->get(key)->is_array();
}

const toml::node* TomlSection::node(std::string_view key, std::string_view wanted) {
  if (has(key)) return table_->get(key);
  if (table_ != nullptr)
    file_->fault(
        name_,
        name_.empty() ? fmt::format("no {} in the file", key) : fmt::format("[{}] has no {}", name_, key),
        fmt::format("give {}, {}", key, wanted));
  return nullptr;
}

void TomlSection::wrong_type(const toml::node& node, std::string_view name, std::string_view wanted) {
  file_->fault(file_->place_of(node.source()), fmt::format("{} is {}", name, type_of(node)),
               fmt::format("give {}", wanted));
}

double TomlSection::number_in(const toml::node& node, std::string_view name, std::string_view wanted) {
  if (!node.is_number()) {
    wrong_type(node, name, wanted);
    return 0.0;
  }
  const double value = node.value<double>().value_or(std::numeric_limits<double>::quiet_NaN());
  const auto wrong = range_fault(name, value);
  if (!wrong) return value;
  file_->fault(file_->place_of(node.source()), fmt::format("{} is {}", name, value), "give " + *wrong);
  return 0.0;
}

double TomlSection::number(std::string_view key) {
  const toml::node* found = node(key, "a number");
  return found == nullptr ? 0.0 : number_in(*found, dotted(key), "a number");
}

int TomlSection::whole_number_in(const toml::node& node, std::string_view name) {
  const auto value = node.is_integer() ? node.value<int>() : std::nullopt;
  if (value) return *value;
  if (node.is_integer())
    file_->fault(file_->place_of(node.source()), fmt::format("{} is too large", name),
                 "give a smaller whole number");
  else
    wrong_type(node, name, "a whole number");
  return 0;
}

int TomlSection::whole_number(std::string_view key) {
  const toml::node* found = node(key, "a whole number");
  return found == nullptr ? 0 : whole_number_in(*found, dotted(key));
}

std::vector<int> TomlSection::whole_numbers(std::string_view key) {
  std::vector<int> values;
  if (const toml::array* found = array(key, "an array of whole numbers"))
    for (const toml::node& element : *found)
      values.push_back(whole_number_in(element, fmt::format("{}[{}]", dotted(key), values.size())));
  return values;
}

std::string TomlSection::text(std::string_view key) {
  const toml::node* found = node(key, "a string");
  if (found == nullptr) return {};
  if (const auto value = found->value_exact<std::string>()) return *value;
  wrong_type(*found, dotted(key), "a string");
  return {};
}

const toml::array* TomlSection::array(std::string_view key, std::string_view wanted) {
  const toml::node* found = node(key, wanted);
  if (found == nullptr || found->is_array()) return found == nullptr ? nullptr : found->as_array();
  wrong_type(*found, dotted(key), wanted);
  return nullptr;
}

std::vector<double> TomlSection::numbers(std::string_view key) {
  std::vector<double> values;
  if (const toml::array* found = array(key, "an array of numbers"))
    for (const toml::node& element : *found)
      values.push_back(number_in(element, fmt::format("{}[{}]", dotted(key), values.size()), "a number"));
  return values;
}

std::vector<std::string> TomlSection::texts(std::string_view key) {
  std::vector<std::string> values;
  const toml::array* found = array(key, "an array of strings");
  if (found == nullptr) return values;
  for (const toml::node& element : *found) {
    const auto value = element.value_exact<std::string>();
    if (!value) wrong_type(element, fmt::format("{}[{}]", dotted(key), values.size()), "a string");
    values.push_back(value.value_or(""));
  }
  return values;
}

Eigen::Vector3d TomlSection::vector_in(const toml::node& node, std::string_view name,
                                       std::string_view wanted) {
  Eigen::Vector3d value = Eigen::Vector3d::Zero();
  const toml::array* found = node.as_array();
  if (found == nullptr) {
    wrong_type(node, name, wanted);
  } else if (found->size() != 3) {
    file_->fault(file_->place_of(node.source()),
                 fmt::format("{} has {}", name, count_of(found->size(), "number")),
                 fmt::format("give {}", wanted));
  } else {
    for (std::size_t i = 0; i < 3; ++i)
      value[static_cast<Eigen::Index>(i)] =
          number_in((*found)[i], fmt::format("{}[{}]", name, i), "a number");
  }
  return value;
}

Eigen::Vector3d TomlSection::vector3(std::string_view key) {
  constexpr std::string_view kWanted = "three numbers [x, y, z]";
  const toml::node* found = node(key, kWanted);
  return found == nullptr ? Eigen::Vector3d::Zero() : vector_in(*found, dotted(key), kWanted);
}

std::vector<Eigen::Vector3d> TomlSection::vectors3(std::string_view key) {
  std::vector<Eigen::Vector3d> values;
  if (const toml::array* found = array(key, "an array of [x, y, z]"))
    for (const toml::node& element : *found)
      values.push_back(
          vector_in(element, fmt::format("{}[{}]", dotted(key), values.size()), "three numbers [x, y, z]"));
  return values;
}

void TomlSection::unknown_word(std::string_view key, const std::string& given, const std::string& known) {
  // A missing key or a wrong type has been reported already.
  if (table_ == nullptr || !table_->contains(key) || !table_->get(key)->is_string()) return;
  file_->fault(dotted(key), fmt::format("{} is \"{}\"", dotted(key), given),
               fmt::format("give one of {}", known));
}

TomlSection TomlSection::table(std::string_view key) {
  if (has(key)) {
    const toml::node& found = *table_->get(key);
    if (found.is_table()) return TomlSection(file_, found.as_table(), dotted(key));
    wrong_type(found, dotted(key), "a table");
  } else if (table_ != nullptr) {
    file_->fault(name_, fmt::format("no table [{}]", dotted(key)), "add it with all its keys");
  }
  return TomlSection(file_, nullptr, dotted(key));
}

std::optional<TomlSection> TomlSection::optional_table(std::string_view key) {
  if (!has(key)) return std::nullopt;
  return table(key);
}

std::vector<TomlSection> TomlSection::tables(std::string_view key) {
  if (!has(key)) {
    if (table_ != nullptr)
      file_->fault(name_, fmt::format("no [[{}]]", dotted(key)),
                   fmt::format("add at least one [[{}]]", dotted(key)));
    return {};
  }
  std::vector<TomlSection> found;
  const toml::array* elements = array(key, "an array of tables");
  if (elements == nullptr) return found;
  if (elements->empty())
    file_->fault(dotted(key), fmt::format("{} is empty", dotted(key)), "add at least one table to it");
  for (const toml::node& element : *elements) {
    const std::string name = fmt::format("{}[{}]", dotted(key), found.size());
    if (!element.is_table()) wrong_type(element, name, "a table");
    found.push_back(TomlSection(file_, element.as_table(), name));
  }
  return found;
}

std::vector<TomlSection> TomlSection::optional_tables(std::string_view key) {
  if (!has(key)) return {};
  return tables(key);
}

std::vector<std::string> TomlSection::keys() const {
  std::vector<std::pair<SourcePosition, std::string>> found;
  if (table_ != nullptr)
    for (const auto& [key, value] : *table_) found.emplace_back(position_of(key.source().begin), key.str());
  std::sort(found.begin(), found.end(),
            [](const auto& a, const auto& b) { return before(a.first, b.first); });
  std::vector<std::string> names;
  for (auto& [at, name] : found) names.push_back(std::move(name));
  return names;
}

void TomlSection::close() {
  if (table_ == nullptr) return;
  std::string known;
  for (const std::string& key : asked_) known += (known.empty() ? "" : ", ") + key;
  for (const auto& [key, value] : *table_)
    if (!asked_.contains(key.str()))
      file_->fault(
          file_->place_of(key.source()), fmt::format("unknown key {}", dotted(key.str())),
          fmt::format("the keys {} are {}", name_.empty() ? "of the file" : "of [" + name_ + "]", known));
}

TomlFile::TomlFile() : document_(std::make_unique<toml::table>()) {}

TomlFile::~TomlFile() = default;

TomlSection TomlFile::root() {
  return TomlSection(this, document_.get(), "");
}

Result<std::unique_ptr<TomlFile>> TomlFile::open(const std::filesystem::path& file) {
  Result<std::string> bytes = read_text_input(file);
  if (!bytes) return tl::unexpected<InputError>(bytes.error());
  return parse(std::move(*bytes), file.string());
}

Result<std::unique_ptr<TomlFile>> TomlFile::parse(std::string bytes, std::string file) {
  std::unique_ptr<TomlFile> opened(new TomlFile);
  opened->name_ = std::move(file);
  opened->bytes_ = std::move(bytes);
  if (const auto deep = first_deep_place(opened->bytes_))
    return input_error(opened->name_, deep->line, deep->column,
                       fmt::format("tables, arrays or a key lie more than {} deep here", kDeepestToml),
                       "give a file whose tables lie less deep");
  try {
    *opened->document_ = toml::parse(std::string_view(opened->bytes_), opened->name_);
  } catch (const toml::parse_error& error) {
    const SourcePosition at = position_of(error.source().begin);
    return input_error(opened->name_, at.line, at.column, "not TOML: " + one_line(error.description()),
                       "give a file as TOML 1.0 has it");
  }
  opened->note_positions(*opened->document_, "");
  return opened;
}

FilePosition TomlFile::place_of(const toml::source_region& source) const {
  const bool elsewhere = source.path && *source.path != name_;
  return {position_of(source.begin), elsewhere ? *source.path : std::string()};
}

toml::table TomlFile::take_table(std::string_view array, std::size_t index) {
  return std::move(*document_->get(array)->as_array()->get(index)->as_table());
}

std::string TomlFile::text() const {
  std::ostringstream out;
  out << toml::toml_formatter(*document_) << "\n";
  return out.str();
}

void TomlFile::amend(toml::table changes) {
  merge(*document_, changes);
  note_positions(*document_, "");
}

bool TomlFile::change_numbers(const std::string& dotted_key, const std::function<double(double)>& change) {
  const std::size_t cut = dotted_key.rfind('.');
  const std::string key = cut == std::string::npos ? dotted_key : dotted_key.substr(cut + 1);
  toml::table* const table =
      cut == std::string::npos ? document_.get() : document_->at_path(dotted_key.substr(0, cut)).as_table();
  toml::node* const found = table == nullptr ? nullptr : table->get(key);
  if (found == nullptr) return false;
  // Whole numbers become numbers; their places stay noted under their keys.
  if (found->is_number()) {
    table->insert_or_assign(key, change(*found->value<double>()));
    return true;
  }
  toml::array* const numbers = found->as_array();
  if (numbers == nullptr || numbers->empty()) return false;
  for (const toml::node& element : *numbers)
    if (!element.is_number()) return false;
  for (auto element = numbers->begin(); element != numbers->end(); ++element)
    element = numbers->replace(element, change(*element->value<double>()));
  return true;
}

void TomlFile::note_positions(const toml::table& table, const std::string& prefix) {
  for (const auto& [key, value] : table) {
    const std::string name = prefix.empty() ? std::string(key.str()) : prefix + "." + std::string(key.str());
    positions_[name] = place_of(value.source());
    if (const toml::table* inner = value.as_table()) note_positions(*inner, name);
    if (const toml::array* inner = value.as_array()) {
      for (std::size_t i = 0; i < inner->size(); ++i) {
        const std::string element = fmt::format("{}[{}]", name, i);
        positions_[element] = place_of((*inner)[i].source());
        if (const toml::table* nested = (*inner)[i].as_table()) note_positions(*nested, element);
      }
    }
  }
}

void TomlFile::fault(const std::string& dotted_key, std::string problem, std::string remedy) {
  fault(find_position(positions_, dotted_key), std::move(problem), std::move(remedy));
}

void TomlFile::fault(const FilePosition& at, std::string problem, std::string remedy) {
  faults_.push_back(
      {at.file.empty() ? name_ : at.file, at.line, at.column, std::move(problem), std::move(remedy)});
}

void TomlFile::fault_of_values_together(const std::string& dotted_key, std::string problem,
                                        std::string remedy) {
  fault(dotted_key, std::move(problem), std::move(remedy));
  faults_.back().of_values_together = true;
}

std::optional<InputError> TomlFile::first_fault() const {
  const auto first =
      std::min_element(faults_.begin(), faults_.end(), [](const InputError& a, const InputError& b) {
        return std::tie(a.file, a.line, a.column) < std::tie(b.file, b.line, b.column);
      });
  if (first == faults_.end()) return std::nullopt;
  return *first;
}

FilePosition find_position(const std::map<std::string, FilePosition>& positions, std::string dotted_key) {
  while (!dotted_key.empty()) {
    if (const auto found = positions.find(dotted_key); found != positions.end()) return found->second;
    const std::size_t cut = dotted_key.find_last_of(".[");
    dotted_key.resize(cut == std::string::npos ? 0 : cut);
  }
  return {};
}

Result<std::string> read_bytes(const std::filesystem::path& file) {
  return read_input(file);
}

}  // namespace withy
