// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/live/autosave.h"

#include <algorithm>
#include <array>
#include <atomic>
#include <cerrno>
#include <chrono>
#include <system_error>
#include <utility>

#include <fcntl.h>
#include <nlohmann/json.hpp>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

#include "planner/files/file_output.h"
#include "planner/files/input_file.h"
#include "planner/files/json_reader.h"

namespace withy {
namespace {

using Json = nlohmann::ordered_json;

/// A disk that takes long to write to is left alone so many times as long.
constexpr double kPauseShare = 4.0;

Json bend_json(const Eigen::Vector2d& v) {
  return {v.x(), v.y()};
}

Json step_json(const RouteStep& step) {
  Json engaged = Json::array(), theta = Json::array();
  for (std::size_t lock = 0; lock < kMaxLocks; ++lock) engaged.push_back(step.to.engaged.test(lock));
  for (const Eigen::Vector2d& bend : step.to.theta_frozen) theta.push_back(bend_json(bend));
  return {
      {"lock", step.lock + 1}, {"engages", step.engages}, {"insertion_mm", step.to.insertion_mm},
      {"engaged", engaged},    {"theta_rad", theta},      {"curvature_per_mm", bend_json(step.to.u_free)}};
}

Eigen::Vector2d vector_of(const JsonNode& node, std::string_view quantity = "") {
  const auto v = node.numbers(2, quantity);
  return v.size() == 2 ? Eigen::Vector2d(v[0], v[1]) : Eigen::Vector2d::Zero();
}

RouteStep step_of(const JsonNode& node, int locks) {
  node.expect_keys({"lock", "engages", "insertion_mm", "engaged", "theta_rad", "curvature_per_mm"});
  RouteStep step;
  step.lock = node.at("lock").count() - 1;
  step.engages = node.at("engages").boolean();
  step.to.insertion_mm = node.at("insertion_mm").number("plan.insertion_mm");
  step.to.u_free = vector_of(node.at("curvature_per_mm"), "plan.curvature_per_mm");
  const auto engaged = node.at("engaged").items();
  for (std::size_t lock = 0; lock < engaged.size() && lock < kMaxLocks; ++lock)
    step.to.engaged.set(lock, engaged[lock].boolean());
  for (const JsonNode& bend : node.at("theta_rad").items()) step.to.theta_frozen.push_back(vector_of(bend));
  const bool fits = step.lock < locks && step.to.theta_frozen.size() == step.to.engaged.count() &&
                    (step.to.engaged >> static_cast<std::size_t>(locks)).none();
  if (!fits) node.fault("this step does not fit the number of locks", "take the file away");
  return step;
}

KeptWork work_of(JsonFile& file) {
  const JsonNode root = file.root();
  root.expect_keys({"format", "version", "scene_sha256", "text", "driven"});
  KeptWork work;
  if (root.at("format").text() != "withy-live" || root.at("version").count() != 1)
    root.fault("this is no unsaved work of withy live, version 1", "take the file away");
  work.scene_sha256 = root.at("scene_sha256").text();
  work.text = root.at("text").text();
  for (const JsonNode& one : root.at("driven").items()) {
    one.expect_keys({"locks", "steps"});
    const int locks = one.at("locks").count();
    if (locks > kMaxLocks) one.fault("so many locks can't be", "take the file away");
    Route& route = work.driven[locks];
    for (const JsonNode& step : one.at("steps").items()) route.steps.push_back(step_of(step, locks));
  }
  return work;
}

/// Where the lock file is, for a signal handler: a path that is longer is not noted.
std::array<char, 4096> lock_file_place{};
std::atomic<bool> lock_file_left{false};
static_assert(std::atomic<bool>::is_always_lock_free, "a signal handler reads it");

void note_lock_file(const std::string& place) {
  if (place.size() >= lock_file_place.size()) return;
  *std::copy(place.begin(), place.end(), lock_file_place.begin()) = '\0';
  lock_file_left = true;
}

/// Beside the scene, and hidden; there while a desk has the scene.
std::filesystem::path lock_file(const std::filesystem::path& autosave) {
  return autosave.parent_path() / ("." + autosave.filename().string() + ".lock");
}

/// The number that a lock file names.
std::string process_in(int descriptor) {
  char digits[16] = {};
  const auto got = ::pread(descriptor, digits, sizeof digits - 1, 0);
  const std::string text(digits, got > 0 ? static_cast<std::size_t>(got) : 0);
  return text.empty() || text.find_first_not_of("0123456789") != text.npos ? "unknown" : text;
}

std::string text_of(const KeptWork& work) {
  Json driven = Json::array();
  for (const auto& [locks, route] : work.driven) {
    Json steps = Json::array();
    for (const RouteStep& step : route.steps) steps.push_back(step_json(step));
    driven.push_back({{"locks", locks}, {"steps", steps}});
  }
  const Json out = {{"format", "withy-live"},
                    {"version", 1},
                    {"scene_sha256", work.scene_sha256},
                    {"text", work.text},
                    {"driven", driven}};
  return out.dump() + "\n";
}

}  // namespace

Autosave::Autosave(const std::filesystem::path& scene) : file_(scene.string() + ".live") {
  thread_ = std::thread([this] { run(); });
}

Autosave::~Autosave() {
  {
    const std::lock_guard lock(one_);
    ending_ = true;
  }
  wake_.notify_all();
  thread_.join();
  flush();
  let_go();
}

/// A lock file that was taken away between opening and locking keeps nobody off: another is made.
Result<void> Autosave::take_hold() {
  const std::filesystem::path place = lock_file(file_);
  for (;;) {
    Descriptor made(::open(place.c_str(), O_RDWR | O_CREAT | O_NOFOLLOW | O_CLOEXEC, 0600));
    if (!made.open()) return {};
    if (::flock(made.get(), LOCK_EX | LOCK_NB) != 0) {
      if (errno != EWOULDBLOCK) return {};
      return input_error(file_.string(), 1, 1,
                         "withy live has this scene open already (process " + process_in(made.get()) + ")",
                         "use that one, or end it first");
    }
    struct stat of_ours = {}, of_name = {};
    if (::fstat(made.get(), &of_ours) != 0 || ::stat(place.c_str(), &of_name) != 0 ||
        of_ours.st_ino != of_name.st_ino)
      continue;
    note_lock_file(place.native());
    const std::string process = std::to_string(::getpid());
    if (::ftruncate(made.get(), 0) == 0) (void)write_out(made.get(), process);
    hold_ = std::move(made);
    return {};
  }
}

void Autosave::let_go() {
  if (hold_.open()) {
    lock_file_left = false;
    ::unlink(lock_file(file_).c_str());
  }
  hold_ = Descriptor();
}

std::string Autosave::fault() const {
  const std::lock_guard lock(one_);
  return fault_;
}

void Autosave::on_fault(std::function<void(const std::string&)> hear) {
  const std::lock_guard lock(one_);
  hear_ = std::move(hear);
}

Result<std::optional<KeptWork>> Autosave::left() const {
  std::error_code none;
  if (!std::filesystem::exists(file_, none)) return std::optional<KeptWork>();
  auto text = read_text_input(file_, kLargestTable);  // longer than what people write: see autosave.h
  if (!text) return tl::unexpected(text.error());
  auto parsed = JsonFile::parse(std::move(*text), file_.string());
  if (!parsed) return tl::unexpected(parsed.error());
  KeptWork work = work_of(*parsed);
  if (const auto& fault = parsed->first_fault()) return tl::unexpected(*fault);
  return std::optional(std::move(work));
}

Result<std::filesystem::path> Autosave::set_aside() const {
  const std::string first = file_.string() + ".old";
  std::filesystem::path place = first;
  std::error_code why;
  for (int count = 2; std::filesystem::exists(std::filesystem::symlink_status(place, why)); ++count)
    place = first + "." + std::to_string(count);
  why.clear();
  std::filesystem::rename(file_, place, why);
  if (why)
    return input_error(file_.string(), 1, 1, "this file can't be moved (" + why.message() + ")",
                       "move it out of the way");
  return place;
}

void Autosave::keep(std::optional<KeptWork> work) {
  {
    const std::lock_guard lock(one_);
    next_ = std::move(work);
    waiting_ = true;
  }
  wake_.notify_all();
}

void Autosave::flush() {
  const std::lock_guard alone(writing_);
  std::optional<KeptWork> work;
  {
    const std::lock_guard lock(one_);
    if (!waiting_) return;
    work = std::move(next_);
    waiting_ = false;
  }
  write(work);
}

/// A place that can't be written to was refused when the desk was opened; one that no longer can is met again
/// with the next change.
void Autosave::write(const std::optional<KeptWork>& work) {
  std::string fault;
  std::error_code why;
  if (work) {
    if (const auto written = write_whole(file_, text_of(*work)); !written)
      fault = "what is not saved is lost when withy live ends: " + written.error().message();
  } else if (std::filesystem::remove(file_, why); why) {
    fault = file_.string() + " can't be taken away (" + why.message() +
            "): all is saved, and what it holds is taken up when the scene is opened again";
  }
  std::function<void(const std::string&)> hear;
  {
    const std::lock_guard lock(one_);
    if (fault_.empty() && !fault.empty()) hear = hear_;
    fault_ = fault;
  }
  if (hear) hear(fault);
}

void Autosave::run() {
  std::unique_lock lock(one_);
  while (!ending_) {
    wake_.wait(lock, [&] { return ending_ || waiting_; });
    if (ending_) return;
    lock.unlock();
    const auto began = std::chrono::steady_clock::now();
    flush();
    const std::chrono::duration<double> took = std::chrono::steady_clock::now() - began;
    lock.lock();
    const auto pause = std::max(std::chrono::duration<double>(kAutosavePause_s), kPauseShare * took);
    wake_.wait_for(lock, pause, [&] { return ending_; });
  }
}

void remove_left_lock_file() noexcept {
  if (lock_file_left.exchange(false)) ::unlink(lock_file_place.data());
}

}  // namespace withy
