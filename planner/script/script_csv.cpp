// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/script/script_csv.h"

#include <optional>

#include <fmt/format.h>

#include "planner/files/cautions.h"
#include "planner/files/csv.h"
#include "planner/files/ranges.h"
#include "planner/script/script_numbers.h"

namespace withy {
namespace {

constexpr std::string_view kSceneHash = "scene sha256 ";
constexpr std::string_view kMeshHash = "mesh sha256 ";
constexpr std::size_t kNoteHashLength = 64;

std::vector<std::string> column_names(int tendons, int coils, int locks) {
  std::vector<std::string> names = {"step", "action", "insertion_mm"};
  for (int k = 1; k <= tendons; ++k) names.push_back(fmt::format("pull_{}_mm", k));
  for (const char axis : {'x', 'y', 'z'}) names.push_back(fmt::format("field_{}_mT", axis));
  for (int k = 1; k <= coils; ++k) names.push_back(fmt::format("current_{}_A", k));
  for (int k = 1; k <= locks; ++k) names.push_back(fmt::format("lock_{}", k));
  names.emplace_back("dwell_s");
  names.emplace_back("note");
  return names;
}

std::string joined(std::vector<std::string> fields) {
  for (std::string& field : fields) field = csv_quoted(field);
  return fmt::format("{}\r\n", fmt::join(fields, ","));
}

std::string first_note(const Script& script, const std::string& note) {
  std::string text = note.empty() ? "" : note + "; ";
  text += fmt::format("{}{}; {}{}.", kSceneHash, script.scene_sha256, kMeshHash, script.mesh_sha256);
  for (const std::string_view caution : kCautions) text += fmt::format(" {}", caution);
  return text;
}

/// The hash that follows `label` in the first row's note; empty where the note was edited away.
std::string hash_after(std::string_view note, std::string_view label) {
  const std::size_t at = note.find(label);
  if (at == std::string_view::npos) return "";
  const std::string_view hash = note.substr(at + label.size(), kNoteHashLength);
  const bool whole =
      hash.size() == kNoteHashLength && hash.find_first_not_of("0123456789abcdef") == hash.npos;
  return whole ? std::string(hash) : "";
}

/// Whatever the writer put before the hashes.
std::string note_before_hash(const std::string& note) {
  const std::size_t at = note.find(kSceneHash);
  if (at == std::string::npos) return note;
  return at >= 2 ? note.substr(0, at - 2) : "";
}

/// Counts the columns that follow the pattern `prefix` number `suffix`, numbered from 1, from `at` on.
int count_columns(const CsvRecord& header, std::size_t at, std::string_view prefix, std::string_view suffix) {
  int count = 0;
  while (at < header.size() && header[at].text == fmt::format("{}{}{}", prefix, count + 1, suffix)) {
    ++count;
    ++at;
  }
  return count;
}

/// Reads one record after another against the header.
class CsvReader {
 public:
  explicit CsvReader(const std::string& file) : file_(file) {}

  Result<Script> read(const std::vector<CsvRecord>& records) {
    if (records.empty())
      return error({"", 1, 1}, "the script is empty", "start it with the line of column names");
    if (auto fault = read_header(records.front())) return tl::unexpected(*fault);
    for (std::size_t i = 1; i < records.size(); ++i)
      if (auto fault = read_row(records[i])) return tl::unexpected(*fault);
    if (script_.waypoints.empty())
      return error(records.front().front(), "the script has no rows", "list at least the start");
    Waypoint& first = script_.waypoints.front();
    script_.scene_sha256 = hash_after(first.note, kSceneHash);
    script_.mesh_sha256 = hash_after(first.note, kMeshHash);
    first.note = note_before_hash(first.note);
    script_.compensated = first.note.starts_with(kCompensatedNote);
    return script_;
  }

 private:
  tl::unexpected<InputError> error(const CsvField& at, std::string problem, std::string remedy) const {
    return input_error(file_, at.line, at.column, std::move(problem), std::move(remedy));
  }

  std::optional<InputError> read_header(const CsvRecord& header) {
    constexpr std::size_t kBeforePulls = 3;
    constexpr std::size_t kFieldColumns = 3;
    script_.tendons = count_columns(header, kBeforePulls, "pull_", "_mm");
    std::size_t at = kBeforePulls + static_cast<std::size_t>(script_.tendons) + kFieldColumns;
    script_.coils = count_columns(header, at, "current_", "_A");
    at += static_cast<std::size_t>(script_.coils);
    script_.locks = count_columns(header, at, "lock_", "");
    const auto names = column_names(script_.tendons, script_.coils, script_.locks);
    for (std::size_t i = 0; i < names.size(); ++i) {
      if (i >= header.size())
        return error(header.back(), "the column " + names[i] + " is missing", "end the line with it").value();
      if (header[i].text != names[i])
        return error(header[i], "the column \"" + header[i].text + "\" stands where " + names[i] + " belongs",
                     "name the columns as withy script writes them")
            .value();
    }
    if (header.size() > names.size())
      return error(header[names.size()], "there is a column after note", "leave it out").value();
    if (script_.tendons == 0)
      return error(header.front(), "the script has no pull columns", "give one for each tendon").value();
    if (script_.locks > kMaxLocks)
      return error(header.front(), fmt::format("the script has {} locks", script_.locks),
                   fmt::format("{} are the most there can be", kMaxLocks))
          .value();
    return std::nullopt;
  }

  std::optional<InputError> read_row(const CsvRecord& row) {
    const auto names = column_names(script_.tendons, script_.coils, script_.locks);
    if (row.size() != names.size())
      return error(row.front(), fmt::format("this row has {} fields", row.size()),
                   fmt::format("give {}, one for each column", names.size()))
          .value();
    fault_.reset();
    Waypoint w;
    std::size_t at = 0;
    w.line = row.front().line;
    w.step = step(row[at++]);
    w.action = row[at++].text;
    w.insertion_mm = number(row[at++], "script.insertion_mm");
    for (int k = 0; k < script_.tendons; ++k) w.pull_mm.push_back(number(row[at++], "script.pull_mm"));
    for (int k = 0; k < 3; ++k) w.field_S(k) = number(row[at++], "script.field_mT");
    for (int k = 0; k < script_.coils; ++k) w.current_A.push_back(number(row[at++], "script.current_A"));
    for (int k = 0; k < script_.locks; ++k) w.engaged.set(static_cast<std::size_t>(k), lock(row[at++]));
    w.dwell_s = number(row[at++], "script.dwell_s");
    w.note = row[at++].text;
    script_.waypoints.push_back(std::move(w));
    return fault_;
  }

  /// Keeps the row's first fault: that is the one to report.
  void note_fault(const CsvField& at, std::string problem, std::string remedy) {
    if (!fault_) fault_ = error(at, std::move(problem), std::move(remedy)).value();
  }

  double number(const CsvField& field, std::string_view quantity) {
    const auto value = parse_script_number(field.text);
    if (!value)
      note_fault(field, "\"" + field.text + "\" is no number", "write a decimal number without an exponent");
    else if (const auto wrong = range_fault(quantity, *value))
      note_fault(field, fmt::format("{} is out of range", field.text), "write " + *wrong);
    return value.value_or(0.0);
  }

  int step(const CsvField& field) {
    const int due = static_cast<int>(script_.waypoints.size());
    if (parse_script_count(field.text) != due)
      note_fault(field, "step \"" + field.text + "\" is out of order",
                 fmt::format("this row is step {}", due));
    return due;
  }

  bool lock(const CsvField& field) {
    if (field.text != "0" && field.text != "1")
      note_fault(field, "a lock can't be \"" + field.text + "\"", "write 1 for engaged, 0 for released");
    return field.text == "1";
  }

  const std::string& file_;
  Script script_;
  std::optional<InputError> fault_;
};

}  // namespace

std::string write_csv(const Script& script) {
  std::string out = joined(column_names(script.tendons, script.coils, script.locks));
  for (const Waypoint& w : script.waypoints) {
    std::vector<std::string> fields = {std::to_string(w.step), w.action, script_number(w.insertion_mm)};
    for (const double pull : w.pull_mm) fields.push_back(script_number(pull));
    for (int k = 0; k < 3; ++k) fields.push_back(script_number(w.field_S(k)));
    for (const double current : w.current_A) fields.push_back(script_number(current));
    for (int k = 0; k < script.locks; ++k)
      fields.emplace_back(w.engaged.test(static_cast<std::size_t>(k)) ? "1" : "0");
    fields.push_back(script_number(w.dwell_s));
    fields.push_back(&w == &script.waypoints.front() ? first_note(script, w.note) : w.note);
    out += joined(fields);
  }
  return out;
}

Result<Script> read_csv(std::string_view text, const std::string& file) {
  const auto records = parse_csv(text, file);
  if (!records) return tl::unexpected(records.error());
  return CsvReader(file).read(*records);
}

}  // namespace withy
