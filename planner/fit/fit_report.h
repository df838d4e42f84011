// SPDX-License-Identifier: GPL-3.0-or-later
// What `withy fit` found, as a table for people, JSON for programs, and a picture of the residuals.
#pragma once

#include <string>

#include "planner/fit/elastic_fit.h"
#include "planner/fit/fit.h"
#include "planner/scene/scene.h"

namespace withy {

struct FitReport {
  const Scene& scene;
  const Measurements& measurements;
  const Fit& fit;
  std::string scene_file;  ///< as the command line gave it
  std::string table_file;
  /// Of the elastic segment, where the scene has one; null: none. `elastic_fault`: why there is none.
  const ElasticFit* elastic = nullptr;
  std::string elastic_fault = {};
};

/// Plain text: values, uncertainties, noise, and what can't be told apart.
std::string fit_table(const FitReport& report);

/// The same and every residual.
std::string fit_json(const FitReport& report);

/// One panel for each kind of reading: model less measured by row, in units of the noise, each channel with a
/// sign of its own, lines at two standard deviations. Told apart without colour.
std::string residual_svg(const FitReport& report);

}  // namespace withy
