// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/files/json_numbers.h"

#include <cmath>

#include <nlohmann/json.hpp>

namespace withy {

nlohmann::ordered_json number(double value) {
  using Json = nlohmann::ordered_json;
  return std::isfinite(value) ? Json(value + 0.0)
                              : Json(nullptr);  // adding zero takes the sign off a negative zero
}

}  // namespace withy
