// SPDX-License-Identifier: GPL-3.0-or-later
// A bench to write scripts for: a box channel in a turned scene frame, one or two locks, and a plan worked
// out by hand.
//
// The plan bends the proximal region onto a notch, locks it, bends the rest another way, advances, and goes
// back. Its fields and clearances come from the program's own field and verification code: these tests are
// about writing plans down and replaying them, and what they check is checked against tests/support's plain
// implementation.
#pragma once

#include <filesystem>
#include <memory>
#include <string>

#include "planner/plan/plan.h"
#include "planner/proof/lemmas/verify.h"
#include "planner/scene/scene.h"
#include "tests/support/temporary_folder.h"

namespace withy_test {

struct BenchOptions {
  bool guide = false;
  bool standing_motors = false;
  double disk_spacing_mm = 0.0;
  std::string tendon_angles = "0.0, 90.0, 180.0, 270.0";
  std::string axes = R"("A", "B", "C", "U")";
  bool actuation = true;
  bool field = true;
  bool latch = true;
  double hunt_mm = 0.0;  ///< with a latch only
  bool coils = false;    ///< four coils with places, their axes lettered X Y V W, instead of a uniform field
  double half_width_mm = 70.0;
  double depth_mm = 180.0;
  double required_clearance_mm = 0.2;
};

/// Keeps everything that a plan needs alive.
class Bench {
 public:
  explicit Bench(const BenchOptions& options = {});

  const std::filesystem::path& folder() const { return folder_.path(); }
  std::filesystem::path scene_file() const { return folder() / "scene.toml"; }
  const withy::Scene& scene() const { return *scene_; }
  const withy::Design& design() const { return *design_; }
  const withy::MotionVerifier& verifier() const { return *verifier_; }
  const withy::Plan& plan() const { return plan_; }

  /// The plan as a search would answer it.
  withy::Answer answer() const;

  /// The text of plan.json.
  std::string plan_text() const;

 private:
  void write_scene(const BenchOptions& options, const Eigen::Vector3d& target_S) const;
  void read();
  void work_out(bool guide);
  void add_state(withy::State state);
  void act(withy::ActionKind kind, withy::State to, int which = -1);
  void go_back();

  TemporaryFolder folder_;
  std::unique_ptr<withy::Scene> scene_;
  std::unique_ptr<withy::Design> design_;
  std::unique_ptr<withy::ChannelDistance> distance_;
  std::unique_ptr<withy::MotionVerifier> verifier_;
  withy::Plan plan_;
};

}  // namespace withy_test
