// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/search/ask/target_table.h"

#include <array>
#include <cmath>
#include <string_view>

#include <fmt/core.h>

#include "planner/files/csv.h"
#include "planner/files/input_file.h"
#include "planner/files/ranges.h"
#include "planner/files/toml_reader.h"
#include "planner/files/word_reader.h"

namespace withy {

namespace {

constexpr std::array<std::string_view, 3> kColumns = {"x_mm", "y_mm", "z_mm"};
constexpr const char* kHeaderRemedy = "start the file with the header x_mm,y_mm,z_mm";

tl::unexpected<InputError> fault_at(const std::string& file, const CsvField& field, std::string problem,
                                    std::string remedy) {
  return input_error(file, field.line, field.column, std::move(problem), std::move(remedy));
}

Result<void> check_header(const std::string& file, const CsvRecord& header) {
  for (std::size_t i = 0; i < header.size(); ++i)
    if (i >= kColumns.size() || header[i].text != kColumns[i])
      return fault_at(file, header[i], fmt::format("unknown column \"{}\"", header[i].text), kHeaderRemedy);
  if (header.size() < kColumns.size())
    return fault_at(file, header.back(), fmt::format("no column {} after this one", kColumns[header.size()]),
                    kHeaderRemedy);
  return {};
}

Result<Eigen::Vector3d> point_of(const std::string& file, const CsvRecord& record) {
  if (record.size() != kColumns.size())
    return fault_at(file, record.front(), fmt::format("{} fields where three belong", record.size()),
                    "give x_mm,y_mm,z_mm");
  Eigen::Vector3d point;
  for (std::size_t i = 0; i < record.size(); ++i) {
    const auto value = number<double>(record[i].text);
    if (!value || !std::isfinite(*value))
      return fault_at(file, record[i], fmt::format("\"{}\" is no number", record[i].text),
                      fmt::format("give {} in mm", kColumns[i]));
    if (const auto wrong = range_fault("targets.point_mm", *value))
      return fault_at(file, record[i], fmt::format("{} is {}", kColumns[i], *value), "give " + *wrong);
    point[static_cast<Eigen::Index>(i)] = *value;
  }
  return point;
}

}  // namespace

Result<std::vector<Eigen::Vector3d>> read_targets(const std::filesystem::path& path) {
  const auto text = read_text_input(path, kLargestTable);
  if (!text) return tl::unexpected<InputError>(text.error());
  const std::string file = path.string();
  const auto records = parse_csv(*text, file);
  if (!records) return tl::unexpected<InputError>(records.error());
  if (records->empty()) return input_error(file, 1, 1, "the file is empty", kHeaderRemedy);
  if (const auto header = check_header(file, records->front()); !header)
    return tl::unexpected<InputError>(header.error());
  std::vector<Eigen::Vector3d> points;
  for (std::size_t i = 1; i < records->size(); ++i) {
    const auto point = point_of(file, (*records)[i]);
    if (!point) return tl::unexpected<InputError>(point.error());
    points.push_back(*point);
  }
  if (points.empty())
    return input_error(file, 2, 1, "no target after the header", "give one target a line, x_mm,y_mm,z_mm");
  return points;
}

}  // namespace withy
