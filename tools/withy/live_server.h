// SPDX-License-Identifier: GPL-3.0-or-later
// Serves a desk (planner/live/desk.h) and its page to one browser on this machine.
//
// Only 127.0.0.1 is listened to. The address carries a random token; whoever does not know it learns nothing,
// not even that there is a desk. A request is heeded only if its Host is this address (so that no name that
// somebody else resolves to 127.0.0.1 leads here), its Origin, where it has one, is too (so that no other
// page may ask), and a body is declared as JSON (so that a browser lets no other page send one unasked). A
// body has kLongestRequest bytes at most, and at most kMostAtOnce requests are looked at at a time; the
// others are told to come again.
#pragma once

#include <memory>
#include <string>

#include <tl/expected.hpp>

#include "planner/live/desk.h"

namespace withy {

inline constexpr int kMostAtOnce = 12;

class LiveServer {
 public:
  /// Listens; `port` 0 takes any that is free. `page`: the page's whole text. An error says why it can't, as
  /// one sentence. The desk must outlive the server. Throws std::system_error where the machine gives no
  /// kMostConnections threads.
  static tl::expected<std::unique_ptr<LiveServer>, std::string> open(Desk& desk, std::string page, int port);
  ~LiveServer();
  LiveServer(const LiveServer&) = delete;
  LiveServer& operator=(const LiveServer&) = delete;

  /// Where the page is: "http://127.0.0.1:PORT/TOKEN/".
  std::string address() const;

  /// Serves until the process ends.
  void serve();

 private:
  LiveServer(Desk& desk, std::string page);
  struct Impl;
  std::unique_ptr<Impl> impl_;
};

}  // namespace withy
