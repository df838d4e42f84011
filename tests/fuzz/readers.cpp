// SPDX-License-Identifier: GPL-3.0-or-later
#include "tests/fuzz/readers.h"

#include <atomic>
#include <filesystem>
#include <functional>
#include <memory>
#include <stdexcept>

#include <fmt/format.h>

#include "geometry/channel/channel.h"
#include "geometry/mesh/mesh.h"
#include "geometry/phantom/recipe.h"
#include "planner/fit/measurements.h"
#include "planner/live/autosave.h"
#include "planner/plan/plan.h"
#include "planner/plan/state_file.h"
#include "planner/proof/layouts/all_layouts.h"
#include "planner/proof/lemmas/verify.h"
#include "planner/proof/plans/check_plan.h"
#include "planner/proof/plans/plan_file.h"
#include "planner/proof/recheck/check_proof.h"
#include "planner/scene/scene.h"
#include "planner/script/plan_check.h"
#include "planner/script/replay.h"
#include "planner/script/script_file.h"
#include "planner/search/ask/scene_problem.h"
#include "planner/search/ask/target_table.h"
#include "planner/segment/hardware.h"
#include "planner/segment/state.h"
#include "planner/study/results.h"
#include "planner/study/study.h"
#include "planner/study/study_page.h"
#include "planner/tolerance/errors.h"
#include "tests/fuzz/wall_readers.h"
#include "tests/support/temporary_folder.h"

namespace withy_test {
namespace {

using Said = std::optional<std::string>;

// What goes on from a reader is only worth milliseconds.
constexpr std::size_t kMostTriangles = 400;
constexpr std::size_t kMostRows = 450;
// So often a recheck asks whether to stop, about once a box, before it is told to.
constexpr int kMostQuestions = 1000;
constexpr std::size_t kMostProofBytes = std::size_t{4} << 20U;

std::atomic<unsigned> verified_one_in{1};

/// Is what was read to be verified as well?
bool is_verified(const std::string& bytes) {
  return std::hash<std::string>()(bytes) % verified_one_in == 0;
}

/// A folder with a sound scene, made once.
class Place {
 public:
  static const Place& get() {
    static const Place place;
    return place;
  }

  /// Writes the bytes under a name; its path.
  std::filesystem::path put(const std::string& name, const std::string& bytes) const {
    const auto file = folder_.path() / name;
    std::filesystem::create_directories(file.parent_path());
    write_text(file, bytes);
    return file;
  }

  /// A scene whose plans bend, lock and release; plans and scripts are held against it. Its own, whose hash
  /// the corpus's plans and proofs name, with the mesh of the shipped double-bend. Read when it is asked for,
  /// which takes seconds with sanitizers.
  const withy::PreparedScene& prepared() const {
    static const withy::PreparedScene scene = [this] {
      const std::filesystem::path source = WITHY_SOURCE_DIR;
      const auto held = folder_.path() / "held";
      std::filesystem::create_directories(held);
      std::filesystem::copy(source / "tests/fuzz/scene/scene.toml", held / "scene.toml");
      std::filesystem::copy(source / "scenes/double-bend/double-bend.stl", held / "double-bend.stl");
      auto read = withy::prepare_scene(held / "scene.toml");
      if (!read) throw std::runtime_error(read.error().message());
      return std::move(*read);
    }();
    return scene;
  }
  /// The scene beside the files.
  const withy::Scene& tube() const { return *tube_; }
  std::filesystem::path path() const { return folder_.path(); }

 private:
  Place() {
    const auto assets = std::filesystem::path(WITHY_SOURCE_DIR) / "tests/assets/scenes";
    std::filesystem::copy(assets / "full.toml", folder_.path() / "sound.toml");
    std::filesystem::copy(assets / "tube.off", folder_.path() / "tube.off");
    auto tube = withy::read_scene(folder_.path() / "sound.toml");
    if (!tube) throw std::runtime_error(tube.error().message());
    tube_ = std::make_unique<withy::Scene>(std::move(*tube));
  }

  TemporaryFolder folder_;
  std::unique_ptr<withy::Scene> tube_;
};

template <class T>
Said said(const withy::Result<T>& result) {
  return result ? Said() : Said(result.error().message());
}

/// Pulls, tensions and switching fields of one pose: coils and magnets may stand anywhere.
void ask_hardware(const withy::Design& design) {
  const withy::Hardware hardware(design);
  withy::State state = withy::start_state();
  state.insertion_mm = design.carriage().insertion_max_mm;
  hardware.use(state);
  hardware.state_breach(state);
  if (!hardware.checks_field()) return;
  hardware.switch_breach(state, design.lock_count() - 1);
  hardware.switch_choice(state, 0);
}

Said read_scene_bytes(const std::string& bytes) {
  const auto scene = withy::read_scene(Place::get().put("scene.toml", bytes));
  if (!scene) return said(scene);
  for (int locks = 0; locks <= withy::kMaxLocks; ++locks) {
    const auto design = scene->design(locks);
    if (!design && locks == scene->layout_in_use) return said(design);
    if (design) ask_hardware(*design);
  }
  return std::nullopt;
}

Said read_recipe_bytes(const std::string& bytes) {
  return said(withy::read_recipe(Place::get().put("recipe.toml", bytes)));
}

Said read_study_bytes(const std::string& bytes) {
  return said(withy::read_study(Place::get().put("study.toml", bytes)));
}

Said read_mesh_bytes(const std::string& name, const std::string& bytes) {
  const auto mesh = withy::read_mesh(Place::get().put(name, bytes), withy::LengthUnit::mm);
  if (!mesh) return said(mesh);
  if (mesh->triangles.size() > kMostTriangles) return std::nullopt;
  const auto& scene = Place::get().tube();
  for (const auto& vertex : mesh->vertices)
    if (!(vertex.cwiseAbs().maxCoeff() <= 1e6)) return "a vertex is far away";  // read_channel says so
  const auto channel = withy::make_channel(*mesh, scene.entry, scene.outlets);
  return channel ? Said() : Said(channel.error().problem);
}

Said read_stl_bytes(const std::string& bytes) {
  return read_mesh_bytes("mesh.stl", bytes);
}
Said read_obj_bytes(const std::string& bytes) {
  return read_mesh_bytes("mesh.obj", bytes);
}
Said read_ply_bytes(const std::string& bytes) {
  return read_mesh_bytes("mesh.ply", bytes);
}
Said read_off_bytes(const std::string& bytes) {
  return read_mesh_bytes("mesh.off", bytes);
}

Said read_plan_bytes(const std::string& bytes) {
  const auto& prepared = Place::get().prepared();
  const auto file = withy::read_plan(Place::get().put("plan.json", bytes));
  if (!file) return said(file);
  const auto design = prepared.scene.design(file->locks);
  if (!design) return said(design);
  if (file->verdict != withy::Verdict::reached) return std::nullopt;
  const auto plan = withy::plan_in(*file, *design);
  if (!plan) return said(plan);
  if (plan->actions.size() > kMostRows || !is_verified(bytes)) return std::nullopt;
  const withy::MotionVerifier verifier(*design, *prepared.distance);
  const double required = file->required_clearance_mm.value_or(prepared.scene.required_clearance_mm);
  const auto fault = withy::plan_defect(*plan, {prepared.scene, verifier, required});
  return fault ? Said(fault->problem) : Said();
}

/// Stops when it has gone on for a while: a check may be right to take hours.
withy::recheck::CheckSettings for_a_while() {
  auto asked = std::make_shared<std::atomic<int>>(0);
  withy::recheck::CheckSettings settings;
  settings.stop = [asked] { return ++*asked > kMostQuestions; };
  return settings;
}

Said read_proof_bytes(const std::string& bytes) {
  const auto& prepared = Place::get().prepared();
  const auto text = withy::recheck::unpacked(bytes, "x.proof", kMostProofBytes);
  if (!text) return said(text);
  withy::recheck::is_certificate(*text);
  auto certificate = withy::recheck::read_certificate(*text, "x.proof");
  if (!certificate) return said(certificate);
  if (!is_verified(bytes)) return std::nullopt;
  // Nobody guesses hashes.
  certificate->header.scene_sha256 = prepared.scene.sha256;
  certificate->header.mesh_sha256 = prepared.scene.mesh_sha256;
  const auto report =
      withy::recheck::check_proof(*certificate, prepared.scene, prepared.distance->exact(), for_a_while());
  return report.outcome.verdict == withy::recheck::Verdict::does_not_hold ? Said(report.outcome.why) : Said();
}

Said read_checked_plan_bytes(const std::string& bytes) {
  const auto& prepared = Place::get().prepared();
  if (!is_verified(bytes)) return said(withy::recheck::read_file_plan(bytes, "plan.json"));
  const auto report = withy::recheck::check_plan(bytes, "plan.json", prepared.scene,
                                                 prepared.distance->exact(), for_a_while());
  if (!report) return said(report);
  return report->outcome.verdict == withy::recheck::Verdict::does_not_hold ? Said(report->outcome.why)
                                                                           : Said();
}

/// Proofs of boxes of stations: read, and whether they hold all stations. What each proves is
/// read_proof_bytes'.
Said read_layout_bytes(const std::string& bytes) {
  const auto text = withy::recheck::unpacked(bytes, "x.proof", kMostProofBytes);
  if (!text) return said(text);
  withy::recheck::are_layout_proofs(*text);
  const auto proofs = withy::recheck::read_layout_proofs(*text, "x.proof");
  if (!proofs) return said(proofs);
  const auto left = withy::recheck::uncovered_layout(*proofs, Place::get().tube());
  return left.empty() ? Said() : Said(fmt::format("{:.6g} mm lies in no box", left.front()));
}

Said read_state_bytes(const std::string& bytes) {
  static const withy::Design design = Place::get().tube().design(1).value();
  const auto state = withy::read_state_file(Place::get().put("state.json", bytes), design);
  if (!state) return said(state);
  withy::Hardware(design).state_breach(*state);
  return std::nullopt;
}

Said read_script_bytes(const std::string& name, const std::string& bytes) {
  const auto& prepared = Place::get().prepared();
  const auto script = withy::read_script(Place::get().put(name, bytes), prepared.scene);
  if (!script) return said(script);
  const auto design = prepared.scene.design(script->locks);
  if (!design) return said(design);
  if (script->waypoints.size() > kMostRows || !is_verified(bytes)) return std::nullopt;
  const auto report =
      withy::replay(*script, prepared.scene, withy::MotionVerifier(*design, *prepared.distance));
  return report.fault ? Said(report.fault->problem) : Said();
}

Said read_csv_bytes(const std::string& bytes) {
  return read_script_bytes("script.csv", bytes);
}
Said read_ngc_bytes(const std::string& bytes) {
  return read_script_bytes("script.ngc", bytes);
}

Said read_measurement_bytes(const std::string& bytes) {
  return said(withy::read_measurements(bytes, "measured.csv", 4));
}

Said read_target_bytes(const std::string& bytes) {
  return said(withy::read_targets(Place::get().put("targets.csv", bytes)));
}

Said read_error_bytes(const std::string& bytes) {
  return said(withy::read_errors(Place::get().put("errors.toml", bytes)));
}

Said read_live_bytes(const std::string& bytes) {
  const auto scene = Place::get().path() / "sound.toml";
  Place::get().put("sound.toml.live", bytes);
  return said(withy::Autosave(scene).left());
}

Said read_journal_bytes(const std::string& bytes) {
  Place::get().put("runs/runs-1-of-1.jsonl", bytes);
  const auto results = withy::join_study(Place::get().path() / "runs");
  if (!results) return said(results);
  withy::results_csv(*results);
  withy::study_page(*results);
  withy::study_table(*results);
  return std::nullopt;
}

}  // namespace

const std::vector<FuzzReader>& fuzz_readers() {
  static const std::vector<FuzzReader> readers = [] {
    std::vector<FuzzReader> all = {{"scene", read_scene_bytes},
                                   {"recipe", read_recipe_bytes},
                                   {"study", read_study_bytes},
                                   {"stl", read_stl_bytes},
                                   {"obj", read_obj_bytes},
                                   {"ply", read_ply_bytes},
                                   {"off", read_off_bytes},
                                   {"plan", read_plan_bytes},
                                   {"proof", read_proof_bytes},
                                   {"checkedplan", read_checked_plan_bytes},
                                   {"csv", read_csv_bytes},
                                   {"ngc", read_ngc_bytes},
                                   {"measured", read_measurement_bytes},
                                   {"targets", read_target_bytes},
                                   {"errors", read_error_bytes},
                                   {"journal", read_journal_bytes},
                                   {"live", read_live_bytes},
                                   {"layouts", read_layout_bytes},
                                   {"state", read_state_bytes}};
    for (const FuzzReader& reader : wall_readers()) all.push_back(reader);
    return all;
  }();
  return readers;
}

void verify_one_in(unsigned inputs) {
  verified_one_in = inputs;
}

const FuzzReader& fuzz_reader(std::string_view name) {
  for (const FuzzReader& reader : fuzz_readers())
    if (reader.name == name) return reader;
  throw std::invalid_argument("no such reader: " + std::string(name));
}

}  // namespace withy_test
