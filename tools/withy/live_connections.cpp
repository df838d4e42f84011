// SPDX-License-Identifier: GPL-3.0-or-later
#include "tools/withy/live_connections.h"

#include <algorithm>
#include <array>
#include <cerrno>
#include <chrono>
#include <list>
#include <memory>
#include <mutex>
#include <optional>
#include <utility>

#include <arpa/inet.h>
#include <poll.h>
#include <sys/socket.h>
#include <unistd.h>

namespace withy {
namespace {

struct Connection {
  Connections& of;
  socket_t socket = -1;
  std::chrono::steady_clock::time_point since = std::chrono::steady_clock::now();  // of what it does now
  bool answering = false;
};

/// The connection that this thread serves.
thread_local Connection* own = nullptr;

/// Waits for the socket until then; is it ready?
bool wait_for(socket_t socket, short what, std::chrono::steady_clock::time_point until) {
  while (true) {
    const auto left =
        std::chrono::ceil<std::chrono::milliseconds>(until - std::chrono::steady_clock::now()).count();
    if (left <= 0) return false;
    pollfd one{socket, what, 0};
    const int ready = ::poll(&one, 1, static_cast<int>(left));
    if (ready > 0) return true;
    if (ready == 0 || errno != EINTR) return false;
  }
}

/// A request read, and its answer written, each by its own deadline.
class TimedStream : public httplib::Stream {
 public:
  explicit TimedStream(socket_t socket) : socket_(socket) {}

  bool is_readable() const override { return wait_for(socket_, POLLIN, read_by_); }
  bool is_writable() const override { return wait_for(socket_, POLLOUT, write_by()); }

  ssize_t read(char* bytes, std::size_t size) override {
    if (got_ == had_) {  // headers are read byte by byte
      if (!is_readable()) return -1;
      const ssize_t n = receive();
      if (n <= 0) return n;
      got_ = 0;
      had_ = static_cast<std::size_t>(n);
    }
    const std::size_t n = std::min(size, had_ - got_);
    std::copy_n(buffer_.data() + got_, n, bytes);
    got_ += n;
    return static_cast<ssize_t>(n);
  }

  ssize_t write(const char* bytes, std::size_t size) override {
    if (!is_writable()) return -1;
    while (true) {
      const ssize_t n = ::send(socket_, bytes, size, MSG_NOSIGNAL);
      if (n >= 0 || errno != EINTR) return n;
    }
  }

  void get_remote_ip_and_port(std::string& ip, int& port) const override { name(::getpeername, ip, port); }
  void get_local_ip_and_port(std::string& ip, int& port) const override { name(::getsockname, ip, port); }
  socket_t socket() const override { return socket_; }

  /// Is there more of what was sent, or will there be soon?
  bool next() {
    const bool more =
        got_ < had_ ||
        wait_for(socket_, POLLIN, std::chrono::steady_clock::now() + std::chrono::seconds(kIdlePatience_s));
    read_by_ = std::chrono::steady_clock::now() + std::chrono::seconds(kRequestPatience_s);
    write_by_.reset();
    return more;
  }

 private:
  ssize_t receive() {
    while (true) {
      const ssize_t n = ::recv(socket_, buffer_.data(), buffer_.size(), 0);
      if (n >= 0 || errno != EINTR) return n;
    }
  }

  /// The time for writing runs from the first byte on.
  std::chrono::steady_clock::time_point write_by() const {
    if (!write_by_) write_by_ = std::chrono::steady_clock::now() + std::chrono::seconds(kAnswerPatience_s);
    return *write_by_;
  }

  template <class Ask>
  void name(Ask ask, std::string& ip, int& port) const {
    sockaddr_in there = {};
    socklen_t size = sizeof there;
    std::array<char, INET_ADDRSTRLEN> text{};
    if (ask(socket_, reinterpret_cast<sockaddr*>(&there), &size) != 0 || there.sin_family != AF_INET) return;
    if (::inet_ntop(AF_INET, &there.sin_addr, text.data(), text.size()) != nullptr) ip = text.data();
    port = ntohs(there.sin_port);
  }

  socket_t socket_;
  std::array<char, 4096> buffer_{};
  std::size_t got_ = 0;
  std::size_t had_ = 0;
  std::chrono::steady_clock::time_point read_by_;
  mutable std::optional<std::chrono::steady_clock::time_point> write_by_;
};

}  // namespace

/// Those that have a thread, and how many there are with those that wait for one.
class Connections {
 public:
  /// One more comes.
  void come() {
    const std::lock_guard lock(one_);
    if (++all_ > kMostConnections) drop_one();
  }

  /// It has a thread, this one.
  void begin(Connection& connection) {
    const std::lock_guard lock(one_);
    served_.push_back(&connection);
    own = &connection;
  }

  /// Its socket is to be closed.
  void end(Connection& connection) {
    const std::lock_guard lock(one_);
    served_.remove(&connection);
    own = nullptr;
    --all_;
  }

  void turn(Connection& connection, bool answering) {
    const std::lock_guard lock(one_);
    connection.answering = answering;
    connection.since = std::chrono::steady_clock::now();
  }

 private:
  /// Precondition: the lock is held, so that no socket of those served is closed meanwhile.
  void drop_one() {
    Connection* longest = nullptr;
    for (Connection* connection : served_)
      if (!connection->answering && (longest == nullptr || connection->since < longest->since))
        longest = connection;
    if (longest == nullptr) return;
    ::shutdown(longest->socket, SHUT_RDWR);
    longest->since = std::chrono::steady_clock::time_point::max();  // not twice
  }

  std::mutex one_;
  std::list<Connection*> served_;
  std::size_t all_ = 0;
};

namespace {

/// The library's threads; it hears of each connection as it comes.
class Threads : public httplib::ThreadPool {
 public:
  explicit Threads(Connections& connections) : ThreadPool(kMostConnections), connections_(connections) {}
  void enqueue(std::function<void()> serve) override {
    connections_.come();
    ThreadPool::enqueue(std::move(serve));
  }

 private:
  Connections& connections_;
};

}  // namespace

PatientServer::PatientServer() : connections_(std::make_unique<Connections>()) {
  new_task_queue = [this] { return new Threads(*connections_); };  // the library deletes it
}

PatientServer::~PatientServer() = default;

PatientServer::Answering::Answering() {
  if (own != nullptr) own->of.turn(*own, true);
}

PatientServer::Answering::~Answering() {
  if (own != nullptr) own->of.turn(*own, false);
}

bool PatientServer::process_and_close_socket(socket_t socket) {
  Connection connection{*connections_, socket};
  connections_->begin(connection);
  TimedStream stream(socket);
  bool good = true;
  for (bool closed = false; good && !closed && svr_sock_ != INVALID_SOCKET && stream.next();) {
    connections_->turn(connection, false);
    good = process_request(stream, false, closed, nullptr);
  }
  connections_->end(connection);
  ::shutdown(socket, SHUT_RDWR);
  ::close(socket);
  return good;
}

}  // namespace withy
