// SPDX-License-Identifier: GPL-3.0-or-later
// Do boxes of stations hold every layout? And what is refused of a file of them.
#include "planner/proof/layouts/all_layouts.h"

#include <cmath>
#include <filesystem>

#include <catch2/catch.hpp>

#include "planner/scene/scene.h"

using namespace withy;
using namespace withy::recheck;

namespace {

/// Single-bend: 100 mm long, locks 4 mm long.
Scene shipped_scene() {
  const auto scene = read_scene(std::filesystem::path(WITHY_SOURCE_DIR) / "scenes/single-bend/scene.toml");
  REQUIRE(scene);
  return *scene;
}

/// Boxes on a grid over all stations of so many locks; those without a layout are left out.
LayoutProofs grid(const Scene& scene, int locks, double half) {
  const double w = scene.parts.lock->body_length_mm;
  const double last = scene.parts.segment.length_mm - scene.parts.segment.tip_rigid_mm - 0.5 * w;
  LayoutProofs proofs;
  proofs.locks = locks;
  const auto add = [&](std::vector<double> at) {
    Certificate certificate;
    certificate.header.locks = locks;
    certificate.header.layout = ProvedLayout{std::move(at), std::nullopt};
    certificate.header.layout->within_mm = half + 1e-7;
    proofs.boxes.push_back(std::move(certificate));
  };
  for (double a = 0.5 * w + half; a - half <= last; a += 2.0 * half) {
    if (locks == 1) add({a});
    for (double b = 0.5 * w + half; locks == 2 && b - half <= last; b += 2.0 * half)
      if (b - a + 2.0 * half >= w) add({a, b});
  }
  return proofs;
}

}  // namespace

TEST_CASE("A grid of boxes holds every layout, and less of it does not") {
  const Scene scene = shipped_scene();
  for (const int locks : {1, 2}) {
    const LayoutProofs whole = grid(scene, locks, 2.3);
    CHECK(uncovered_layout(whole, scene).empty());
    for (std::size_t k = 0; k < whole.boxes.size(); k += locks == 1 ? 1 : 17) {
      LayoutProofs less = whole;
      const std::vector<double> middle = less.boxes[k].header.layout->station_mm;
      less.boxes.erase(less.boxes.begin() + static_cast<std::ptrdiff_t>(k));
      const std::vector<double> left = uncovered_layout(less, scene);
      REQUIRE(left.size() == static_cast<std::size_t>(locks));
      for (std::size_t i = 0; i < left.size(); ++i) CHECK(std::abs(left[i] - middle[i]) <= 2.3 + 1e-6);
    }
    LayoutProofs narrower = whole;
    for (Certificate& box : narrower.boxes) box.header.layout->within_mm -= 1e-3;
    CHECK_FALSE(uncovered_layout(narrower, scene).empty());
  }
  LayoutProofs none;
  none.locks = 1;
  CHECK_FALSE(uncovered_layout(none, scene).empty());
}

TEST_CASE("A file of boxes is read whole or refused with its place") {
  CHECK(are_layout_proofs(layout_proofs_header(1, 0)));
  CHECK_FALSE(are_layout_proofs("{\"format\":\"withy-proof\"}\n"));
  CHECK_FALSE(are_layout_proofs(""));
  const auto empty = read_layout_proofs(layout_proofs_header(2, 0), "file");
  REQUIRE(empty);
  CHECK(empty->boxes.empty());
  for (const std::string& text :
       {layout_proofs_header(1, 3), layout_proofs_header(0, 0), layout_proofs_header(99, 0),
        std::string("{\"format\":\"withy-layout-proofs\",\"version\":2,\"locks\":1,\"boxes\":0}\n"),
        std::string("{\"format\":\"withy-layout-proofs\",\"version\":1,\"locks\":-1,\"boxes\":0}\n"),
        layout_proofs_header(1, 1) + "{\"format\":\"withy-proof\",\"version\":1}\n",
        layout_proofs_header(1, 1) + "nonsense\n",
        std::string(
            "{\"format\":\"withy-layout-proofs\",\"version\":1,\"locks\":1,\"locks\":2,\"boxes\":0}\n")}) {
    const auto read = read_layout_proofs(text, "file");
    REQUIRE_FALSE(read);
    CHECK(read.error().problem.find('\n') == std::string::npos);
  }
  const auto doubled = read_layout_proofs(
      layout_proofs_header(1, 1) + "{\"format\":\"withy-proof\",\"format\":\"withy-proof\"}\n", "file");
  REQUIRE_FALSE(doubled);
  CHECK(doubled.error().line == 2);
  CHECK(doubled.error().column == 25);
}

TEST_CASE("A file of very many boxes is told to leave a layout out, as any other") {
  const Scene scene = shipped_scene();
  LayoutProofs many = grid(scene, 1, 2e-4);
  CHECK(many.boxes.size() > 200000);
  CHECK(uncovered_layout(many, scene).empty());
  many.boxes.erase(many.boxes.begin() + 1000);
  CHECK(uncovered_layout(many, scene).size() == 1);
}
