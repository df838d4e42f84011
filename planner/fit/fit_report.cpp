// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/fit/fit_report.h"

#include <algorithm>
#include <array>

#include <Eigen/Geometry>
#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include "geometry/numbers/numbers.h"
#include "planner/files/plain_line.h"

namespace withy {
namespace {

using Json = nlohmann::ordered_json;

constexpr std::array<const char*, kReadings> kReadingNames = {"pull", "tension", "tip"};
constexpr std::array<const char*, kReadings> kReadingUnits = {"mm", "N", "mm"};

/// "slack_1_mm" -> "slack 1" and "mm".
std::pair<std::string, std::string> words_of(const std::string& name) {
  const std::size_t last = name.rfind('_');
  std::string words = name.substr(0, last);
  std::string unit = name.substr(last + 1);
  if (unit == "coefficient") return {"friction coefficient", ""};
  if (unit == "Nmm2") unit = "N mm2";
  std::replace(words.begin(), words.end(), '_', ' ');
  return {words, unit};
}

std::string parameter_line(const FittedParameter& p) {
  const auto [words, unit] = words_of(p.name);
  const std::string name = unit.empty() ? words : words + ", " + unit;
  if (!p.determined) return fmt::format("{:<28}{:>12.5g}{:>13}\n", name, p.before, "not told");
  return fmt::format("{:<28}{:>12.5g}{:>13.5g}{:>11.2g}   {:.5g} to {:.5g}\n", name, p.before, p.value,
                     p.deviation, p.low, p.high);
}

std::string confounded_sentence(const std::vector<FittedParameter>& parameters,
                                const std::vector<int>& group) {
  std::vector<std::string> names;
  for (const int k : group) names.push_back(words_of(parameters[static_cast<std::size_t>(k)].name).first);
  if (names.size() == 1)
    return fmt::format("{} can't be told from these measurements; the scene's value stays\n", names.front());
  return fmt::format(
      "{} can't be told apart: only a combination of them shows in these measurements; the scene's values "
      "stay\n",
      fmt::join(names, ", "));
}

// A segment that is put in by hand is not put in so far off; pulls of the other sign look like half a turn.
constexpr double kImplausibleTurn_rad = 1.0;

std::string noise_line(const NoiseEstimate& noise, std::size_t kind) {
  if (noise.readings == 0) return "";
  return fmt::format("noise        {:<8}{:>10.3g} {:<3} {}, {} readings, {:.1f} degrees of freedom\n",
                     kReadingNames[kind], noise.deviation, kReadingUnits[kind],
                     noise.given ? "as given" : "estimated", noise.readings, noise.degrees_of_freedom);
}

Json number_if(bool there, double value) {
  return there ? Json(value + 0.0) : Json(nullptr);
}

Json parameter_json(const FittedParameter& p) {
  return {{"name", p.name},
          {"before", p.before},
          {"value", number_if(p.determined, p.value)},
          {"standard_deviation", number_if(p.determined, p.deviation)},
          {"low_95", number_if(p.determined, p.low)},
          {"high_95", number_if(p.determined, p.high)}};
}

/// What the elastic segment's fit found; nothing where the scene has none.
std::string elastic_part(const FitReport& report) {
  if (!report.elastic_fault.empty()) return fmt::format("\nElastic segment: {}\n", report.elastic_fault);
  if (!report.elastic) return {};
  const ElasticFit& fit = *report.elastic;
  std::string out =
      "\nElastic segment, led from row to row (slack taken as none), the ideal one's values set aside:\n";
  out += noise_line(fit.tension, static_cast<std::size_t>(Reading::tension));
  out += noise_line(fit.tip, static_cast<std::size_t>(Reading::tip));
  for (const FittedParameter& p : fit.parameters) out += parameter_line(p);
  for (const auto& group : fit.confounded) out += confounded_sentence(fit.parameters, group);
  return out;
}

Json elastic_json(const ElasticFit& fit) {
  Json parameters = Json::array(), confounded = Json::array();
  for (const FittedParameter& p : fit.parameters) parameters.push_back(parameter_json(p));
  for (const auto& group : fit.confounded) {
    Json names = Json::array();
    for (const int k : group) names.push_back(fit.parameters[static_cast<std::size_t>(k)].name);
    confounded.push_back(names);
  }
  return {{"parameters", parameters},
          {"not_told_apart", confounded},
          {"tip_noise_mm", fit.tip.deviation},
          {"tension_noise_N", fit.tension.readings > 0 ? Json(fit.tension.deviation) : Json(nullptr)},
          {"degrees_of_freedom", fit.degrees_of_freedom}};
}

/// Do the model's pulls lie on the other side of zero than the measured ones, all in all?
bool pulls_point_the_other_way(const FitReport& report) {
  double agreement = 0.0;  // sum of measured pull times the model's
  std::size_t pull = 0;
  for (std::size_t k = 0; k < report.fit.readings.size(); ++k) {
    if (report.fit.readings[k] != Reading::pull) continue;
    const auto tendons = static_cast<std::size_t>(report.measurements.rows.front().pull_mm.size());
    const double measured =
        report.measurements.rows[pull / tendons].pull_mm(static_cast<Eigen::Index>(pull % tendons));
    agreement += measured * (measured + report.fit.residual(static_cast<Eigen::Index>(k)));
    ++pull;
  }
  return agreement < 0.0;
}

}  // namespace

std::string fit_table(const FitReport& report) {
  const Fit& fit = report.fit;
  std::string out =
      fmt::format("{} rows of {}, {} {}: {}\n", report.measurements.rows.size(), report.table_file,
                  report.measurements.locks, report.measurements.locks == 1 ? "lock" : "locks",
                  without_controls(report.scene.title));
  for (std::size_t kind = 0; kind < kReadings; ++kind) out += noise_line(fit.noise[kind], kind);
  out += fmt::format(
      "noise model  Gaussian, independent, one standard deviation for each kind of "
      "reading\n\n{:<28}{:>12}{:>13}"
      "{:>11}   {}\n",
      "", "scene", "fitted", "std dev", "95 % interval");
  for (const FittedParameter& p : fit.parameters) out += parameter_line(p);
  if (!fit.all_determined()) out += "\n";
  for (const auto& group : fit.confounded) out += confounded_sentence(fit.parameters, group);
  if (const double turn_rad = Eigen::AngleAxisd(fit.found.entry_offset().linear()).angle();
      turn_rad > kImplausibleTurn_rad)
    out += fmt::format(
        "\nthe base was found turned by {:.0f} degrees: most likely the pulls have the other sign, or the "
        "tendons "
        "another order, than the scene's\n",
        degrees(turn_rad));
  if (pulls_point_the_other_way(report))
    out +=
        "\nthe bends that fit the tips draw the tendons the other way than they were measured: most likely "
        "the "
        "pulls have the other sign than the scene's\n";
  if (fit.misfits())
    out += fmt::format(
        "\nthe residuals are larger than the given noise explains (chi squared {:.4g} with {:.1f} degrees of "
        "freedom): the model or the noise is wrong\n",
        fit.chi_squared, fit.degrees_of_freedom);
  return out + elastic_part(report);
}

std::string fit_json(const FitReport& report) {
  const Fit& fit = report.fit;
  Json parameters = Json::array();
  for (const FittedParameter& p : fit.parameters) parameters.push_back(parameter_json(p));
  Json confounded = Json::array();
  for (const auto& group : fit.confounded) {
    Json names = Json::array();
    for (const int k : group) names.push_back(fit.parameters[static_cast<std::size_t>(k)].name);
    confounded.push_back(names);
  }
  Json noise = Json::array();
  for (std::size_t kind = 0; kind < kReadings; ++kind) {
    const NoiseEstimate& n = fit.noise[kind];
    if (n.readings == 0) continue;
    noise.push_back({{"reading", kReadingNames[kind]},
                     {"unit", kReadingUnits[kind]},
                     {"standard_deviation", n.deviation},
                     {"given", n.given},
                     {"readings", n.readings},
                     {"degrees_of_freedom", n.degrees_of_freedom}});
  }
  Json rows = Json::array();
  Eigen::Index at = 0;
  std::size_t reading = 0;
  for (const Measurement& m : report.measurements.rows) {
    Json row = {{"line", m.line}};
    for (std::size_t kind = 0; kind < kReadings; ++kind) {
      Json values = Json::array();
      while (reading < fit.readings.size() && static_cast<std::size_t>(fit.readings[reading]) == kind &&
             (kind != 2 || values.size() < 3)) {
        values.push_back(fit.residual(at++) + 0.0);
        ++reading;
      }
      if (!values.empty()) row[fmt::format("{}_{}", kReadingNames[kind], kReadingUnits[kind])] = values;
    }
    rows.push_back(row);
  }
  Json out = {{"format", "withy-fit"},
              {"version", 1},
              {"scene",
               {{"file", report.scene_file}, {"sha256", report.scene.sha256}, {"title", report.scene.title}}},
              {"measurements", report.table_file},
              {"locks", report.measurements.locks},
              {"noise_model", "Gaussian, independent, one standard deviation for each kind of reading"},
              {"noise", noise},
              {"parameters", parameters},
              {"not_told_apart", confounded},
              {"chi_squared", fit.chi_squared},
              {"degrees_of_freedom", fit.degrees_of_freedom},
              {"residual_larger_than_noise", fit.misfits()},
              {"residuals", rows}};
  if (report.elastic) out["elastic"] = elastic_json(*report.elastic);
  return out.dump(1) + "\n";
}

}  // namespace withy
