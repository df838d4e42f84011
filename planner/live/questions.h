// SPDX-License-Identifier: GPL-3.0-or-later
// The table of verdicts of one scene: a cell for each lock count, filled as it is decided.
//
// The newest scene is asked about first: starting a table stops whatever is still going on for an older one
// (Effort), and nothing of that is kept. Each count is asked twice. First what it takes to decide: a plan, a
// proof, or neither. Then the whole question as `withy plan` asks it, with its looks for a better plan and
// for what stands in the way; its answer takes the first one's place. A question that its time has left
// undecided is asked longer then. All counts are decided before any is looked at again. Threads that look
// have the lower priority: whoever drags waits for verdicts.
//
// From one scene to the next the distance field is kept. Where a change moves stations of some lock counts
// and nothing else, the verdicts of the others are kept as well, for their questions are the same; what moved
// is asked about anew, wherever it was before.
#pragma once

#include <atomic>
#include <condition_variable>
#include <cstdint>
#include <memory>
#include <mutex>
#include <optional>
#include <string>
#include <thread>
#include <vector>

#include "planner/effort/shares.h"
#include "planner/live/live_scene.h"
#include "planner/plan/answer.h"
#include "planner/search/problem.h"

namespace withy {

enum class CellStage {
  waiting,    ///< not begun
  deciding,   ///< no verdict yet
  decided,    ///< the verdict is final
  looking,    ///< final; a better plan or a reason is looked for
  finished,   ///< nothing more comes
  cancelled,  ///< stopped by the user before there was a verdict
  refused     ///< the scene has no such design: `refusal` says why
};

std::string_view name_of(CellStage stage);

/// What is known of one lock count. Shared pointers: a copy of a table costs nothing.
struct Cell {
  int locks = 0;
  CellStage stage = CellStage::waiting;
  std::shared_ptr<const SearchProblem> problem;
  std::shared_ptr<const Answer> answer;
  std::shared_ptr<const Answer> first_answer;  ///< the verdict alone, before there were looks
  std::string refusal;
  double decided_s = 0.0;  ///< from the start of the table until the verdict was final
};

struct VerdictTable {
  std::shared_ptr<const LiveScene> scene;  ///< null before the first
  std::int64_t version = 0;                ///< grows with everything that changes
  std::int64_t driven = 0;                 ///< grows with everything that is driven by hand
  std::vector<Cell> cells;

  /// Does nothing more come?
  bool settled() const;
  const Cell* cell(int locks) const;
};

/// A question that shares::kPlanSeconds left undecided is asked once more, for so long.
inline constexpr double kLongQuestion_s = 600.0;

/// How long a question may take.
struct QuestionTimes {
  double each_s = shares::kPlanSeconds;
  double longer_s = kLongQuestion_s;  ///< the second time, where the first left it undecided
};

class Questions {
 public:
  /// `workers`: how many lock counts are asked about at a time. Some threads more stand by: what is stopped
  /// takes a moment to end, and a new question does not wait for it.
  explicit Questions(int workers, QuestionTimes times = {});
  ~Questions();
  Questions(const Questions&) = delete;
  Questions& operator=(const Questions&) = delete;

  /// Asks about these lock counts, first things first.
  void start(std::shared_ptr<const LiveScene> scene, const std::vector<int>& locks);

  /// Stops what is going on. Verdicts that are final stay.
  void cancel();

  /// Tells those who wait that the body was driven.
  void note_driven();

  VerdictTable table() const;

  /// The table as soon as its version is another than `seen`, or `driven` another than `driven_seen` where
  /// that is given, or after so many seconds.
  VerdictTable wait(std::int64_t seen, std::optional<std::int64_t> driven_seen, double seconds) const;

 private:
  struct Job {
    std::size_t cell = 0;
    bool whole = false;
    bool longer = false;  // the first time left it undecided
  };
  std::vector<Cell> cells_for(const LiveScene& scene, const std::vector<int>& locks) const;
  std::optional<Job> next_job(bool whole);
  void work(bool whole);
  void run(const Job& job, std::int64_t generation, const LiveScene& scene, int locks);
  void put(std::int64_t generation, const Job& job, const std::shared_ptr<const SearchProblem>& problem,
           std::shared_ptr<const Answer> answer);
  void refuse(std::int64_t generation, const Job& job, const std::string& why);
  void changed();
  void end();  ///< of all threads

  mutable std::mutex one_;
  mutable std::condition_variable changed_;
  std::condition_variable jobs_;
  std::atomic<std::int64_t> generation_ = 0;  // work for an older one is stopped
  VerdictTable table_;
  std::chrono::steady_clock::time_point started_;
  bool idle_ = true;  // cancelled: no job is handed out
  const QuestionTimes times_;
  int most_ = 1;     // jobs at a time
  int running_ = 0;  // jobs of this generation
  bool ending_ = false;
  std::vector<std::thread> workers_;
};

}  // namespace withy
