// SPDX-License-Identifier: GPL-3.0-or-later
#include "tools/withy/sound_plan.h"

#include <utility>

#include <fmt/format.h>

#include "planner/plan/figures.h"
#include "planner/proof/lemmas/verify.h"
#include "planner/script/plan_check.h"

namespace withy {
namespace {

tl::unexpected<Refused> malformed(InputError error) {
  return tl::unexpected(Refused{std::move(error), ExitStatus::wrong_input});
}

/// What does not hold about the plan, at its place in the file.
std::optional<InputError> unsound(const SoundPlan& read) {
  const MotionVerifier verifier(read.design, *read.prepared.distance);
  const double required = read.file.required_clearance_mm.value_or(read.prepared.scene.required_clearance_mm);
  const auto fault = plan_defect(*read.plan, {read.prepared.scene, verifier, required});
  if (!fault) return std::nullopt;
  const std::string at = fault->action >= 0 ? fmt::format("/actions/{}", fault->action) : "/states";
  return read.file.json.error_at(at, "this plan does not hold in its scene: " + fault->problem,
                                 fault->remedy);
}

}  // namespace

ExitStatus say(const Refused& refused) {
  return refused.status == ExitStatus::does_not_hold ? does_not_hold(refused.error) : refuse(refused.error);
}

tl::expected<SoundPlan, Refused> read_sound_plan(const std::filesystem::path& path,
                                                 const std::filesystem::path& given) {
  auto file = read_plan(path);
  if (!file) return malformed(file.error());
  auto scene = scene_of(*file, path, given);
  if (!scene) return malformed(scene.error());
  auto design = scene->design(file->locks);
  if (!design) return malformed(design.error());
  std::optional<Plan> plan;
  if (file->verdict == Verdict::reached) {
    auto read = plan_in(*file, *design);
    if (!read) return malformed(read.error());
    plan = std::move(*read);
  }
  auto wall = read_wall(*scene);
  if (!wall) return malformed(wall.error());
  auto distance = prepare_distance(std::move(*wall), field_spacing(*scene));
  SoundPlan read{
      std::move(*file), {std::move(*scene), std::move(distance)}, std::move(*design), std::move(plan)};
  if (!read.plan) return read;
  if (auto fault = unsound(read))
    return tl::unexpected(Refused{std::move(*fault), ExitStatus::does_not_hold});
  work_out_figures(Hardware(read.design), *read.plan);
  return read;
}

std::optional<InputError> not_for_elastic(const SoundPlan& read) {
  if (!read.plan) return read.file.without_target();
  if (read.plan->from_elsewhere)
    return read.file.json.error_at(
        "/from_elsewhere", "the elastic body is only followed from the start, and this plan begins elsewhere",
        "give a plan from the start");
  if (!read.design.elastic())
    return read.prepared.scene.error_at("", "the scene has no [elastic], so nothing is known of how it gives",
                                        "add the table");
  return std::nullopt;
}

}  // namespace withy
