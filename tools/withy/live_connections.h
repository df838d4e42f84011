// SPDX-License-Identifier: GPL-3.0-or-later
// An HTTP server that nobody can keep to himself.
//
// cpp-httplib gives each connection a thread for as long as it lasts, and each single read some seconds: who
// sends a byte now and then keeps a thread for good, and as many as there are threads keep out everybody
// else. Here a whole request must have come within kRequestPatience_s of its first byte, and where all
// threads are taken the next connection gets the one of whoever has been waited for, or read or written to,
// for longest. A request that is being answered keeps its thread; how many of these there may be is the
// owner's to say.
#pragma once

#include <cstddef>
#include <memory>

#include <httplib.h>

namespace withy {

/// Connections at a time. Browsers open six to an address, and keep them open.
inline constexpr std::size_t kMostConnections = 48;

inline constexpr int kRequestPatience_s = 5;  ///< from a request's first byte to its last
inline constexpr int kAnswerPatience_s = 60;  ///< for writing an answer: a wall may have some megabytes
inline constexpr int kIdlePatience_s =
    5;  ///< for the next request; a busy machine's client may take a second

class Connections;

class PatientServer : public httplib::Server {
 public:
  PatientServer();
  ~PatientServer() override;

  /// For as long as it lives the connection that this thread serves keeps its thread.
  class Answering {
   public:
    Answering();
    ~Answering();
    Answering(const Answering&) = delete;
    Answering& operator=(const Answering&) = delete;
  };

 private:
  bool process_and_close_socket(socket_t socket) override;

  std::unique_ptr<Connections> connections_;
};

}  // namespace withy
