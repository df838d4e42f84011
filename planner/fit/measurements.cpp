// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/fit/measurements.h"

#include <charconv>
#include <cmath>
#include <map>
#include <optional>

#include <fmt/format.h>

#include "planner/files/csv.h"
#include "planner/files/ranges.h"

namespace withy {
namespace {

std::vector<std::string> numbered(const char* before, int count, const char* after) {
  std::vector<std::string> names;
  for (int k = 1; k <= count; ++k) names.push_back(fmt::format("{}{}{}", before, k, after));
  return names;
}

class Reader {
 public:
  Reader(const std::string& file, int tendons) : file_(file), tendons_(tendons) {}

  Result<Measurements> read(const std::vector<CsvRecord>& records) {
    if (records.empty()) fault({"", 1, 1}, "the table is empty", "start it with the line of column names");
    if (!fault_) read_header(records.front());
    for (std::size_t i = 1; i < records.size() && !fault_; ++i) read_row(records[i]);
    if (!fault_ && out_.rows.empty())
      fault(records.front().front(), "the table has no rows", "give one for each pose that was measured");
    if (!fault_ && out_.rows.size() > kMostMeasurements)
      fault(records[kMostMeasurements + 1].front(), "there are too many rows",
            fmt::format("give at most {}", kMostMeasurements));
    if (fault_) return tl::unexpected(*fault_);
    return out_;
  }

 private:
  /// Keeps the first fault: that is the one to report.
  void fault(const CsvField& at, std::string problem, std::string remedy) {
    if (!fault_)
      fault_ = input_error(file_, at.line, at.column, std::move(problem), std::move(remedy)).value();
  }

  void read_header(const CsvRecord& header) {
    for (std::size_t i = 0; i < header.size(); ++i)
      if (!column_.try_emplace(header[i].text, i).second)
        fault(header[i], "the column \"" + header[i].text + "\" stands twice", "give it once");
    const auto has = [&](const std::string& name) { return column_.count(name) > 0; };
    out_.tendons = tendons_;
    out_.tensions = has("tension_1_N");
    while (has(fmt::format("lock_{}", out_.locks + 1))) ++out_.locks;
    std::vector<std::string> wanted = {"insertion_mm", "tip_x_mm", "tip_y_mm", "tip_z_mm"};
    const auto want = [&](const std::vector<std::string>& names) {
      wanted.insert(wanted.end(), names.begin(), names.end());
    };
    want(numbered("pull_", tendons_, "_mm"));
    if (out_.tensions) want(numbered("tension_", tendons_, "_N"));
    want(numbered("lock_", out_.locks, ""));
    std::size_t known = 0;
    for (const CsvField& field : header) {
      if (std::find(wanted.begin(), wanted.end(), field.text) != wanted.end()) {
        ++known;
        continue;
      }
      fault(field, "the column \"" + field.text + "\" is unknown",
            fmt::format("the columns are {}{}{}", fmt::join(wanted, ", "),
                        out_.tensions ? "" : ", and tension_1_N and so on where tensions were measured",
                        out_.locks == 0 ? ", and lock_1 and so on where there are locks" : ""));
    }
    for (const std::string& name : wanted)
      if (!has(name)) fault(header.front(), "the column " + name + " is missing", "add it");
    if (out_.locks > kMaxLocks)
      fault(header.front(), fmt::format("there are {} locks", out_.locks),
            fmt::format("{} are the most there can be", kMaxLocks));
    columns_ = known;
  }

  void read_row(const CsvRecord& row) {
    if (row.size() != columns_)
      return fault(row.front(), fmt::format("this row has {} fields", row.size()),
                   fmt::format("give {}, one for each column", columns_));
    Measurement m;
    m.line = row.front().line;
    m.insertion_mm = number(row, "insertion_mm", "measured.insertion_mm");
    m.pull_mm = numbers(row, numbered("pull_", tendons_, "_mm"), "measured.pull_mm");
    if (out_.tensions) m.tension_N = numbers(row, numbered("tension_", tendons_, "_N"), "measured.tension_N");
    m.tip_S = numbers(row, {"tip_x_mm", "tip_y_mm", "tip_z_mm"}, "measured.tip_mm");
    for (int i = 0; i < out_.locks; ++i) {
      const CsvField& field = row[column_.at(fmt::format("lock_{}", i + 1))];
      if (field.text != "0" && field.text != "1")
        fault(field, "a lock can't be \"" + field.text + "\"", "write 1 for engaged, 0 for released");
      m.engaged.set(static_cast<std::size_t>(i), field.text == "1");
    }
    out_.rows.push_back(std::move(m));
  }

  double number(const CsvRecord& row, const std::string& column, std::string_view quantity) {
    const CsvField& field = row[column_.at(column)];
    double value = 0.0;
    const char* end = field.text.data() + field.text.size();
    const auto [stopped, error] = std::from_chars(field.text.data(), end, value);
    if (error != std::errc() || stopped != end || !std::isfinite(value))
      fault(field, "\"" + field.text + "\" is no number", "write a finite decimal number");
    else if (const auto wrong = range_fault(quantity, value))
      fault(field, fmt::format("{} is {}", column, field.text), "write " + *wrong);
    return value;
  }

  Eigen::VectorXd numbers(const CsvRecord& row, const std::vector<std::string>& columns,
                          std::string_view quantity) {
    Eigen::VectorXd out(static_cast<Eigen::Index>(columns.size()));
    for (std::size_t k = 0; k < columns.size(); ++k)
      out(static_cast<Eigen::Index>(k)) = number(row, columns[k], quantity);
    return out;
  }

  const std::string& file_;
  int tendons_;
  std::map<std::string, std::size_t> column_;
  std::size_t columns_ = 0;
  Measurements out_;
  std::optional<InputError> fault_;
};

}  // namespace

Result<Measurements> read_measurements(std::string_view text, const std::string& file, int tendons) {
  const auto records = parse_csv(text, file);
  if (!records) return tl::unexpected(records.error());
  return Reader(file, tendons).read(*records);
}

}  // namespace withy
