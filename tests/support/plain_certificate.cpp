// SPDX-License-Identifier: GPL-3.0-or-later
#include "tests/support/plain_certificate.h"

#include <algorithm>
#include <cmath>
#include <sstream>
#include <stdexcept>

#include <nlohmann/json.hpp>

namespace withy_plain {
namespace {

// A state may be out of a part by this share of the part's leaf: bends and places round.
constexpr double kRounding = 1e-9;

/// Is the point in a part marked 1? Reads one subtree; `at` is behind it afterwards.
bool in_subtree(const std::string& parts, std::size_t& at, std::vector<double> low, std::vector<double> high,
                const std::vector<double>& x, const std::vector<double>& slack) {
  const char c = parts.at(at++);
  if (c == '0') return false;
  if (c == '1') {
    for (std::size_t k = 0; k < x.size(); ++k)
      if (x[k] < low[k] - slack[k] || x[k] > high[k] + slack[k]) return false;
    return true;
  }
  const auto k = static_cast<std::size_t>(c - 'a');
  const double middle = 0.5 * (low.at(k) + high.at(k));
  std::vector<double> lower_high = high;
  lower_high[k] = middle;
  const bool lower = in_subtree(parts, at, low, lower_high, x, slack);
  low[k] = middle;
  const bool upper = in_subtree(parts, at, low, high, x, slack);
  return lower || upper;
}

}  // namespace

Certificate::Certificate(const std::string& text, const Robot& robot) : robot_(robot) {
  std::istringstream lines(text);
  std::string line;
  std::getline(lines, line);
  const auto header = nlohmann::json::parse(line);
  if (header.at("format") != "withy-proof") throw std::runtime_error("no certificate");
  for (const auto& limit : header.at("limits")) latch_counts_ = latch_counts_ || limit == "latch";
  while (std::getline(lines, line)) {
    const auto leaf = nlohmann::json::parse(line);
    const Key key{{leaf.at("level").get<int>(), leaf.at("engaged").get<std::vector<int>>()},
                  leaf.at("notches").get<std::vector<std::vector<int>>>()};
    leaves_[key] = {leaf.at("low").get<std::vector<double>>(), leaf.at("high").get<std::vector<double>>(),
                    leaf.at("parts").get<std::string>()};
  }
  if (leaves_.size() != header.at("leaves").get<std::size_t>())
    throw std::runtime_error("leaves are missing");
}

bool Certificate::holds(const State& state, int level) const {
  Key key{{level, {}}, {}};
  std::vector<double> x = {state.insertion_mm, state.regions.back().u.x(), state.regions.back().u.y()};
  const bool notched = latch_counts_ && robot_.scene.latch && robot_.scene.latch->pitch_mm > 0.0;
  std::size_t region = 0;
  Eigen::Vector2d sum = Eigen::Vector2d::Zero();
  for (std::size_t lock = 0; lock < state.locked.size(); ++lock) {
    if (!state.locked[lock]) continue;
    key.first.second.push_back(static_cast<int>(lock) + 1);
    key.second.emplace_back();
    const Eigen::Vector2d bend = theta(robot_, state, state.regions.at(region++));
    sum += bend;
    if (!notched) {
      x.insert(x.end(), {bend.x(), bend.y()});
      continue;
    }
    const Latch& latch = *robot_.scene.latch;
    bool one_plane = true;
    for (const double psi : latch.angle_rad) {
      const double slide = latch.radius_mm * (std::cos(psi) * sum.x() + std::sin(psi) * sum.y());
      key.second.back().push_back(static_cast<int>(std::lround(slide / latch.pitch_mm)));
      one_plane = one_plane && std::abs(std::sin(psi - latch.angle_rad.front())) < 1e-9;
    }
    const double first = latch.angle_rad.front();
    if (one_plane) x.push_back(-std::sin(first) * bend.x() + std::cos(first) * bend.y());
  }
  const auto leaf = leaves_.find(key);
  if (leaf == leaves_.end()) return false;
  const Tree& tree = leaf->second;
  std::vector<double> slack;
  for (std::size_t k = 0; k < x.size(); ++k)
    slack.push_back(kRounding * (1e-6 + tree.high.at(k) - tree.low.at(k)));
  std::size_t at = 0;
  return in_subtree(tree.parts, at, tree.low, tree.high, x, slack);
}

}  // namespace withy_plain
