// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/study/runner.h"

#include <algorithm>
#include <chrono>
#include <map>
#include <mutex>
#include <optional>

#include <oneapi/tbb/global_control.h>
#include <oneapi/tbb/info.h>
#include <oneapi/tbb/parallel_pipeline.h>

#include "planner/study/channel_store.h"
#include "planner/study/study_run.h"

namespace withy {
namespace {

class Runner {
 public:
  explicit Runner(const StudyWork& work) : work_(work) {}

  Result<void> run() {
    if (auto expected = expect_channels(); !expected) return expected;
    const int threads = work_.threads > 0 ? work_.threads : tbb::info::default_concurrency();
    const tbb::global_control limit(tbb::global_control::max_allowed_parallelism,
                                    static_cast<std::size_t>(threads));
    // A pipeline hands out runs one by one in order, so that few channels are in use at a time.
    std::size_t next = 0;
    tbb::parallel_pipeline(
        static_cast<std::size_t>(threads),
        tbb::make_filter<void, std::size_t>(tbb::filter_mode::serial_in_order,
                                            [&](tbb::flow_control& control) -> std::size_t {
                                              if (next < work_.runs.size() && !error())
                                                return work_.runs[next++];
                                              control.stop();
                                              return 0;
                                            }) &
            tbb::make_filter<std::size_t, void>(tbb::filter_mode::parallel, [&](std::size_t index) {
              if (auto done = run_one(work_.study.run(index)); !done) keep(done.error());
            }));
    if (const auto first = error()) return tl::unexpected<InputError>(*first);
    return {};
  }

 private:
  /// Counts for each channel how many runs need it.
  Result<void> expect_channels() {
    std::map<std::size_t, std::string> key_of;  // by scene, design and seed
    for (const std::size_t index : work_.runs) {
      const StudyRun run = work_.study.run(index);
      const std::size_t which = scene_number(run);
      if (!key_of.contains(which)) {
        const auto scene = read_study_scene(work_.study, run);
        if (!scene) return tl::unexpected(scene.error());
        key_of[which] = scene->refused ? "" : channel_key(scene->scene);
      }
      if (!key_of[which].empty()) channels_.expect(key_of[which]);
    }
    return {};
  }

  std::size_t scene_number(const StudyRun& run) const {
    const std::size_t seeds = work_.study.seeds.size();
    return (run.scene * work_.study.designs.size() + run.design) * seeds + run.index % seeds;
  }

  Result<void> run_one(const StudyRun& run) {
    const auto start = std::chrono::steady_clock::now();
    const auto scene = read_study_scene(work_.study, run);
    if (!scene) return tl::unexpected(scene.error());
    RunRecord record;
    record.index = run.index;
    if (scene->refused) {
      record.result = refused_result(work_.study, run, *scene);
      return work_.record(record);
    }
    const std::string key = channel_key(scene->scene);
    {
      const auto channel = channels_.take(key, scene->scene);
      if (!channel) return tl::unexpected(channel.error());
      record.result = study_result(work_.study, run, *scene, *channel);
    }
    channels_.leave(key);
    record.seconds = std::chrono::duration<double>(std::chrono::steady_clock::now() - start).count();
    return work_.record(record);
  }

  std::optional<InputError> error() const {
    const std::lock_guard lock(mutex_);
    return error_;
  }

  void keep(const InputError& error) {
    const std::lock_guard lock(mutex_);
    if (!error_) error_ = error;
  }

  const StudyWork& work_;
  ChannelStore channels_;
  mutable std::mutex mutex_;
  std::optional<InputError> error_;
};

}  // namespace

Result<void> run_study(const StudyWork& work) {
  return Runner(work).run();
}

}  // namespace withy
