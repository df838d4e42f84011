// SPDX-License-Identifier: GPL-3.0-or-later
#include <algorithm>
#include <array>
#include <cmath>

#include <fmt/core.h>

#include "planner/files/markup.h"
#include "planner/fit/fit_report.h"

namespace withy {
namespace {

constexpr double kWidth_px = 760.0;
constexpr double kLeft_px = 64.0;
constexpr double kRight_px = 20.0;
constexpr double kPanel_px = 190.0;  ///< height of a panel's plot
constexpr double kGap_px = 62.0;     ///< above each panel: its title and legend
constexpr double kHead_px = 40.0;
constexpr double kFoot_px = 44.0;
constexpr double kLeastReach = 3.0;  ///< the scale runs at least this many standard deviations either way

/// Signs of a reading's channels; more than these start over.
constexpr std::array<const char*, 8> kSigns = {
    "<circle r=\"3.4\" fill=\"#1c1f24\"/>",
    "<rect x=\"-3.2\" y=\"-3.2\" width=\"6.4\" height=\"6.4\" fill=\"#fff\" stroke=\"#1c1f24\" "
    "stroke-width=\"1.4\"/>",
    "<path d=\"M0 -4.2L4 3.2H-4Z\" fill=\"#7d838c\" stroke=\"#1c1f24\"/>",
    "<path d=\"M-3.4 -3.4L3.4 3.4M3.4 -3.4L-3.4 3.4\" stroke=\"#1c1f24\" stroke-width=\"1.8\"/>",
    "<path d=\"M0 -4.4L4.4 0L0 4.4L-4.4 0Z\" fill=\"#fff\" stroke=\"#1c1f24\" stroke-width=\"1.4\"/>",
    "<path d=\"M-4 0H4M0 -4V4\" stroke=\"#1c1f24\" stroke-width=\"1.8\"/>",
    "<circle r=\"3.4\" fill=\"#fff\" stroke=\"#1c1f24\" stroke-width=\"1.4\"/>",
    "<rect x=\"-3.2\" y=\"-3.2\" width=\"6.4\" height=\"6.4\" fill=\"#1c1f24\"/>"};

struct Panel {
  std::string title;
  std::vector<std::string> channels;
  std::vector<std::vector<double>> value;  ///< by channel, then row, in standard deviations
};

std::string sign(double x, double y, std::size_t channel) {
  return fmt::format("<g transform=\"translate({:.1f} {:.1f})\">{}</g>\n", x, y,
                     kSigns[channel % kSigns.size()]);
}

Panel panel_of(const FitReport& report, Reading kind, const char* name, const char* unit, int channels) {
  const Fit& fit = report.fit;
  const double noise = fit.noise[static_cast<std::size_t>(kind)].deviation;
  Panel panel;
  panel.title =
      fmt::format("{}: model less measured, in standard deviations of {:.3g} {}", name, noise, unit);
  panel.value.resize(static_cast<std::size_t>(channels));
  for (int k = 0; k < channels; ++k)
    panel.channels.push_back(kind == Reading::tip ? std::string(1, "xyz"[k]) : std::to_string(k + 1));
  std::size_t channel = 0;
  for (std::size_t i = 0; i < fit.readings.size(); ++i) {
    if (fit.readings[i] != kind) continue;
    panel.value[channel].push_back(fit.residual(static_cast<Eigen::Index>(i)) / noise);
    channel = (channel + 1) % panel.value.size();
  }
  return panel;
}

double reach_of(const Panel& panel) {
  double most = kLeastReach;
  for (const auto& channel : panel.value)
    for (const double value : channel) most = std::max(most, std::abs(value));
  return std::ceil(most);
}

std::string scale(double top, double reach) {
  const double right = kWidth_px - kRight_px;
  const auto y = [&](double value) { return top + 0.5 * kPanel_px * (1.0 - value / reach); };
  std::string out = fmt::format(
      "<rect x=\"{:.1f}\" y=\"{:.1f}\" width=\"{:.1f}\" height=\"{:.1f}\" fill=\"none\" "
      "stroke=\"#9aa0a8\"/>\n",
      kLeft_px, top, right - kLeft_px, kPanel_px);
  for (const double value : {-reach, -2.0, 0.0, 2.0, reach}) {
    const char* dashes = value == 0.0 ? "" : " stroke-dasharray=\"6 4\"";
    if (std::abs(value) < reach)
      out += fmt::format("<path d=\"M{:.1f} {:.1f}H{:.1f}\" stroke=\"#5f656e\" stroke-width=\"1\"{}/>\n",
                         kLeft_px, y(value), right, dashes);
    out += svg_text(kLeft_px - 8, y(value) + 4, fmt::format("{:g}", value), "end", 12);
  }
  return out;
}

std::string drawn(const Panel& panel, double top) {
  std::string out = svg_text(kLeft_px, top - 30, panel.title, "start", 14);
  double x = kLeft_px + 6;
  for (std::size_t channel = 0; channel < panel.channels.size(); ++channel, x += 46) {
    out += sign(x, top - 14, channel);
    out += svg_text(x + 9, top - 10, panel.channels[channel], "start", 12);
  }
  const double reach = reach_of(panel);
  out += scale(top, reach);
  const double width = kWidth_px - kRight_px - kLeft_px;
  for (std::size_t channel = 0; channel < panel.value.size(); ++channel) {
    const auto& values = panel.value[channel];
    for (std::size_t row = 0; row < values.size(); ++row)
      out += sign(kLeft_px + width * (static_cast<double>(row) + 0.5) / static_cast<double>(values.size()),
                  top + 0.5 * kPanel_px * (1.0 - values[row] / reach), channel);
  }
  return out;
}

}  // namespace

std::string residual_svg(const FitReport& report) {
  const int tendons = report.measurements.tendons;
  std::vector<Panel> panels = {panel_of(report, Reading::pull, "pulls", "mm", tendons)};
  if (report.measurements.tensions)
    panels.push_back(panel_of(report, Reading::tension, "tensions", "N", tendons));
  panels.push_back(panel_of(report, Reading::tip, "tip", "mm", 3));
  const double height = kHead_px + static_cast<double>(panels.size()) * (kGap_px + kPanel_px) + kFoot_px;
  std::string out = fmt::format(
      "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {0:.0f} {1:.0f}\" width=\"{0:.0f}\" "
      "height=\"{1:.0f}\" font-family=\"sans-serif\" fill=\"#1c1f24\">\n<title>Residuals: {2}</title>\n"
      "<rect width=\"100%\" height=\"100%\" fill=\"#ffffff\"/>\n",
      kWidth_px, height, escaped_for_markup(report.scene.title));
  out += svg_text(kLeft_px, 28, "Residuals: " + report.scene.title, "start", 17);
  double top = kHead_px;
  for (const Panel& panel : panels) {
    top += kGap_px;
    out += drawn(panel, top);
    top += kPanel_px;
  }
  out += svg_text(kLeft_px, top + 20,
                  fmt::format("row 1 to {} of {}; dashed: two standard deviations",
                              report.measurements.rows.size(), report.table_file),
                  "start", 12);
  return out + "</svg>\n";
}

}  // namespace withy
