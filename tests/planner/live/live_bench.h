// SPDX-License-Identifier: GPL-3.0-or-later
// A copy of a shipped scene on a desk of its own, and what tests ask of it.
#pragma once

#include <filesystem>
#include <memory>
#include <string>

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include "planner/live/desk.h"
#include "tests/support/temporary_folder.h"

namespace withy_test {

class LiveBench {
 public:
  explicit LiveBench(const std::string& scene = "double-bend") {
    const std::filesystem::path from = std::filesystem::path(WITHY_SOURCE_DIR) / "scenes" / scene;
    for (const auto& entry : std::filesystem::directory_iterator(from))
      if (entry.is_regular_file())
        std::filesystem::copy(entry.path(), folder_.path() / entry.path().filename());
  }

  std::filesystem::path scene() const { return folder_.path() / "scene.toml"; }
  std::filesystem::path folder() const { return folder_.path(); }

  void open() {
    desk_.reset();
    auto made = withy::Desk::open(scene(), 2);
    INFO((made ? "" : made.error().message()));
    REQUIRE(made);
    desk_ = std::move(*made);
  }
  void close() { desk_.reset(); }
  withy::Desk& desk() { return *desk_; }

  /// What a granted request answers.
  nlohmann::json granted(const std::string& name, const nlohmann::json& body = nlohmann::json::object()) {
    const auto reply = desk_->ask(name, body.dump());
    INFO(name << ": " << reply.body.substr(0, 300));
    REQUIRE(reply.kind == withy::ReplyKind::done);
    return nlohmann::json::parse(reply.body);
  }

  /// Why a request is not granted.
  std::string refused(const std::string& name, const nlohmann::json& body) {
    const auto reply = desk_->ask(name, body.dump());
    INFO(name << ": " << reply.body.substr(0, 300));
    REQUIRE(reply.kind != withy::ReplyKind::done);
    return nlohmann::json::parse(reply.body).at("error");
  }

  nlohmann::json edited(const std::string& key, const nlohmann::json& value,
                        const std::string& gesture = "") {
    return granted("edit", {{"changes", {{{"key", key}, {"value", value}}}}, {"gesture", gesture}});
  }

  /// The cell of a lock count once its verdict is final, of the scene as it is.
  nlohmann::json decided(int locks, bool whole = false) {
    const auto revision = granted("scene").at("revision");
    nlohmann::json table = granted("verdicts");
    for (int turn = 0; turn < 400; ++turn) {
      for (const auto& cell : table.at("cells")) {
        const std::string stage = cell.at("stage");
        const bool final = stage == "finished" || stage == "refused" || stage == "cancelled" ||
                           (!whole && (stage == "decided" || stage == "looking"));
        if (table.at("revision") == revision && cell.at("locks") == locks && final) return cell;
      }
      table = granted("verdicts", {{"seen", table.at("version")}, {"wait_s", 5}});
    }
    FAIL("no verdict for " << locks);
    return {};
  }

 private:
  TemporaryFolder folder_;
  std::unique_ptr<withy::Desk> desk_;
};

}  // namespace withy_test
