// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/live/questions.h"

#include <algorithm>
#include <chrono>
#include <exception>
#include <utility>

#include <malloc.h>
#include <sys/resource.h>
#include <unistd.h>

#include "planner/effort/shares.h"
#include "planner/search/ask/solve.h"
#include "planner/tolerance/errors.h"

namespace withy {
namespace {

/// Threads for each question that goes on: those that are stopped take up to a second to end.
constexpr int kThreadsEach = 4;

/// By how much threads that look are nicer (setpriority, Linux: of a thread): a ninth of another's time.
constexpr int kNicer = 10;

/// The thread that calls this is nicer from now on, where the system lets it.
void be_nicer() {
  const auto thread = static_cast<id_t>(gettid());
  setpriority(PRIO_PROCESS, thread, getpriority(PRIO_PROCESS, thread) + kNicer);
}

/// How often, at most, memory is given back to the system.
constexpr std::chrono::seconds kGiveBack{10};

/// What ended questions have left, which the C library keeps otherwise, for each thread apart.
void give_memory_back() {
  static std::mutex one;
  static std::chrono::steady_clock::time_point last;
  const std::unique_lock lock(one, std::try_to_lock);
  const auto now = std::chrono::steady_clock::now();
  if (!lock.owns_lock() || now - last < kGiveBack) return;
  last = now;
  malloc_trim(0);
}

bool is_open(CellStage stage) {
  return stage == CellStage::waiting || stage == CellStage::deciding || stage == CellStage::decided ||
         stage == CellStage::looking;
}

SolveSettings settings_for(const LiveScene& scene, bool whole, double seconds,
                           std::function<bool()> stopped) {
  SolveSettings settings;
  settings.effort = Effort::of_seconds(seconds).until_stop(std::move(stopped));
  settings.explain = whole;
  settings.prefer = whole ? Preference::bench : Preference::quick;
  if (whole) settings.errors = usual_errors(scene.prepared.scene);
  settings.with_locks = [&scene](int other) -> std::optional<SearchProblem> {
    auto problem = make_problem(scene.prepared, other);
    return problem ? std::optional(std::move(*problem)) : std::nullopt;
  };
  if (whole)
    settings.target_way = [&scene](const Eigen::Vector3d& point_E) {
      return way_to_target(scene.middle_lines->get(), point_E);
    };
  return settings;
}

}  // namespace

std::string_view name_of(CellStage stage) {
  switch (stage) {
    case CellStage::waiting:
      return "waiting";
    case CellStage::deciding:
      return "deciding";
    case CellStage::decided:
      return "decided";
    case CellStage::looking:
      return "looking";
    case CellStage::finished:
      return "finished";
    case CellStage::cancelled:
      return "cancelled";
    case CellStage::refused:
      return "refused";
  }
  return "";
}

bool VerdictTable::settled() const {
  return std::none_of(cells.begin(), cells.end(), [](const Cell& cell) { return is_open(cell.stage); });
}

const Cell* VerdictTable::cell(int locks) const {
  const auto found =
      std::find_if(cells.begin(), cells.end(), [&](const Cell& cell) { return cell.locks == locks; });
  return found == cells.end() ? nullptr : &*found;
}

Questions::Questions(int workers, QuestionTimes times) : times_(times), most_(workers) {
  try {
    for (int i = 0; i < kThreadsEach * workers; ++i) {
      workers_.emplace_back([this] { work(false); });
      workers_.emplace_back([this] {
        be_nicer();
        work(true);
      });
    }
  } catch (...) {
    end();  // those that were made: a thread that nobody joins ends the program
    throw;
  }
}

Questions::~Questions() {
  end();
}

void Questions::end() {
  {
    const std::lock_guard lock(one_);
    ending_ = true;
    ++generation_;
  }
  jobs_.notify_all();
  for (std::thread& worker : workers_) worker.join();
}

void Questions::changed() {
  ++table_.version;
  changed_.notify_all();
}

/// Precondition: the lock is held, and the table is still that of the scene before.
std::vector<Cell> Questions::cells_for(const LiveScene& scene, const std::vector<int>& locks) const {
  const auto moved = table_.scene ? moved_layouts(*table_.scene, scene) : std::nullopt;
  std::vector<Cell> cells;
  for (const int count : locks) {
    Cell cell;
    cell.locks = count;
    // Where nothing moved the user asks once more, and is answered anew.
    const Cell* before = moved && !moved->empty() && !moved->contains(count) ? table_.cell(count) : nullptr;
    if (before != nullptr && before->first_answer && before->first_answer->verdict != Verdict::undecided) {
      cell.stage = CellStage::decided;
      cell.problem = before->problem;
      cell.answer = cell.first_answer = before->first_answer;
      cell.decided_s = before->decided_s;
    }
    cells.push_back(std::move(cell));
  }
  return cells;
}

void Questions::start(std::shared_ptr<const LiveScene> scene, const std::vector<int>& locks) {
  {
    const std::lock_guard lock(one_);
    ++generation_;
    running_ = 0;
    idle_ = false;
    started_ = std::chrono::steady_clock::now();
    table_.cells = cells_for(*scene, locks);
    table_.scene = std::move(scene);
    changed();
  }
  jobs_.notify_all();
}

void Questions::cancel() {
  const std::lock_guard lock(one_);
  ++generation_;
  running_ = 0;
  idle_ = true;
  for (Cell& cell : table_.cells) {
    if (!is_open(cell.stage)) continue;
    cell.stage = cell.answer ? CellStage::finished : CellStage::cancelled;
  }
  changed();
}

VerdictTable Questions::table() const {
  const std::lock_guard lock(one_);
  return table_;
}

void Questions::note_driven() {
  const std::lock_guard lock(one_);
  ++table_.driven;
  changed_.notify_all();
}

VerdictTable Questions::wait(std::int64_t seen, std::optional<std::int64_t> driven_seen,
                             double seconds) const {
  std::unique_lock lock(one_);
  changed_.wait_for(lock, std::chrono::duration<double>(seconds),
                    [&] { return table_.version != seen || (driven_seen && table_.driven != *driven_seen); });
  return table_;
}

/// Precondition: the lock is held.
std::optional<Questions::Job> Questions::next_job(bool whole) {
  if (idle_ || running_ >= most_) return std::nullopt;
  const auto first = [&](CellStage stage, bool open) {
    return std::find_if(table_.cells.begin(), table_.cells.end(), [&](const Cell& c) {
      return c.stage == stage && (c.answer && c.answer->verdict == Verdict::undecided) == open;
    });
  };
  const auto waiting = first(CellStage::waiting, false);
  if (whole && waiting != table_.cells.end()) return std::nullopt;
  auto cell = whole ? first(CellStage::decided, false) : waiting;
  // What is asked for long comes last.
  if (whole && cell == table_.cells.end()) cell = first(CellStage::decided, true);
  if (cell == table_.cells.end()) return std::nullopt;
  cell->stage = whole ? CellStage::looking : CellStage::deciding;
  changed();
  const bool longer = whole && cell->answer->verdict == Verdict::undecided;
  return Job{static_cast<std::size_t>(cell - table_.cells.begin()), whole, longer};
}

void Questions::work(bool whole) {
  std::unique_lock lock(one_);
  while (true) {
    std::optional<Job> job;
    jobs_.wait(lock, [&] { return ending_ || (job = next_job(whole)).has_value(); });
    if (ending_) return;
    const auto scene = table_.scene;
    const std::int64_t generation = generation_;
    const int locks = table_.cells[job->cell].locks;
    ++running_;
    lock.unlock();
    run(*job, generation, *scene, locks);
    if (whole) give_memory_back();
    lock.lock();
    if (generation_ == generation) --running_;
    jobs_.notify_all();
  }
}

void Questions::run(const Job& job, std::int64_t generation, const LiveScene& scene, int locks) {
  auto made = make_problem(scene.prepared, locks);
  if (!made) return refuse(generation, job, made.error().message());
  const auto problem = std::make_shared<const SearchProblem>(std::move(*made));
  const auto stopped = [this, generation] {
    return generation_.load(std::memory_order_relaxed) != generation;
  };
  try {
    put(generation, job, problem,
        std::make_shared<const Answer>(
            solve(*problem,
                  settings_for(scene, job.whole, job.longer ? times_.longer_s : times_.each_s, stopped))));
  } catch (const std::exception& fault) {  // a fault of ours or no memory: one cell's loss, not the bench's
    refuse(generation, job, fault.what());
  }
}

void Questions::put(std::int64_t generation, const Job& job,
                    const std::shared_ptr<const SearchProblem>& problem,
                    std::shared_ptr<const Answer> answer) {
  {
    const std::lock_guard lock(one_);
    if (generation_ != generation) return;
    Cell& cell = table_.cells[job.cell];
    if (!job.whole) {
      cell.decided_s = std::chrono::duration<double>(std::chrono::steady_clock::now() - started_).count();
      cell.first_answer = answer;
    }
    // A second answer that the clock left without a verdict says less than the first one.
    if (!job.whole || answer->verdict != Verdict::undecided || cell.answer->verdict == Verdict::undecided) {
      cell.problem = problem;
      if (job.longer) cell.first_answer = answer;
      cell.answer = std::move(answer);
    }
    cell.stage = job.whole ? CellStage::finished : CellStage::decided;
    changed();
  }
}

void Questions::refuse(std::int64_t generation, const Job& job, const std::string& why) {
  const std::lock_guard lock(one_);
  if (generation_ != generation) return;
  table_.cells[job.cell].stage = CellStage::refused;
  table_.cells[job.cell].refusal = why;
  changed();
}

}  // namespace withy
