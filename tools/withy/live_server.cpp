// SPDX-License-Identifier: GPL-3.0-or-later
#include "tools/withy/live_server.h"

#include <array>
#include <atomic>
#include <future>
#include <optional>
#include <thread>
#include <utility>
#include <vector>

#include <fmt/format.h>
#include <openssl/crypto.h>
#include <openssl/rand.h>

#include "tools/withy/live_connections.h"

namespace withy {
namespace {

constexpr const char* kHost = "127.0.0.1";

/// 128 random bits; nothing where the machine has none to give.
std::optional<std::string> random_token() {
  std::array<unsigned char, 16> bytes{};
  if (RAND_bytes(bytes.data(), static_cast<int>(bytes.size())) != 1) return std::nullopt;
  std::string token;
  for (const unsigned char byte : bytes) token += fmt::format("{:02x}", byte);
  return token;
}

/// Takes the same time whatever the given one is.
bool same_secret(const std::string& given, const std::string& secret) {
  return given.size() == secret.size() && CRYPTO_memcmp(given.data(), secret.data(), secret.size()) == 0;
}

/// The library's threads, made and ended once: where one of its own can't be made, it ends the program.
void try_threads(std::size_t count) {
  std::promise<void> all_made;
  const std::shared_future<void> made = all_made.get_future().share();
  std::vector<std::jthread> threads;
  threads.reserve(count);
  try {
    for (std::size_t i = 0; i < count; ++i) threads.emplace_back([made] { made.wait(); });
  } catch (...) {
    all_made.set_value();
    throw;
  }
  all_made.set_value();
}

int status_of(ReplyKind kind) {
  switch (kind) {
    case ReplyKind::done:
      return 200;
    case ReplyKind::malformed:
      return 400;
    case ReplyKind::unknown:
      return 404;
    case ReplyKind::refused:
      return 422;
  }
  return 500;
}

const httplib::Headers& headers_of_all() {
  static const httplib::Headers headers = {
      {"Cache-Control", "no-store"},
      {"X-Content-Type-Options", "nosniff"},
      {"X-Frame-Options", "DENY"},
      {"Referrer-Policy", "no-referrer"},
      {"Cross-Origin-Opener-Policy", "same-origin"},
      {"Cross-Origin-Resource-Policy", "same-origin"},
      {"Content-Security-Policy",
       "default-src 'none'; script-src 'unsafe-inline'; style-src 'unsafe-inline'; img-src data: blob:; "
       "connect-src "
       "'self'; frame-ancestors 'none'; base-uri 'none'; form-action 'none'"}};
  return headers;
}

/// Counts the requests that are being looked at.
class Turn {
 public:
  explicit Turn(std::atomic<int>& taken) : taken_(taken), mine_(++taken <= kMostAtOnce) {}
  ~Turn() { --taken_; }
  Turn(const Turn&) = delete;
  Turn& operator=(const Turn&) = delete;
  bool mine() const { return mine_; }

 private:
  std::atomic<int>& taken_;
  bool mine_;
};

void respond(httplib::Response& response, int status, const std::string& error) {
  response.status = status;
  response.set_content("{\"error\":\"" + error + "\"}", "application/json");
}

/// What is wrong where the library itself refuses a request.
std::string refusal_of(int status) {
  switch (status) {
    case 400:
      return "this is no HTTP request that can be read";
    case 404:
      return "there is nothing here";
    case 413:
      return fmt::format("a request has {} bytes at most", kLongestRequest);
    case 414:
      return "this address is too long";
    case 415:
      return "a request is JSON: give Content-Type: application/json, and no Content-Encoding";
    case 416:
      return "leave the Range header out: an answer is given whole";
    default:
      return "this request can't be answered; README, The live bench, says what can be asked";
  }
}

}  // namespace

struct LiveServer::Impl {
  Impl(Desk& of, std::string text) : desk(of), page(std::move(text)) {}

  bool from_here(const httplib::Request& request) const;
  void install();
  void answer(const httplib::Request& request, httplib::Response& response);

  Desk& desk;
  std::string page;
  std::string token;
  int port = 0;
  std::atomic<int> taken = 0;
  PatientServer server;
};

/// Is the request meant for this address, and not sent by another page?
bool LiveServer::Impl::from_here(const httplib::Request& request) const {
  const std::string numbers = fmt::format("{}:{}", kHost, port);
  const std::string name = fmt::format("localhost:{}", port);
  const std::string host = request.get_header_value("Host");
  if (request.get_header_value_count("Host") != 1 || (host != numbers && host != name)) return false;
  if (request.get_header_value_count("Origin") > 1) return false;
  if (!request.has_header("Origin")) return true;
  const std::string origin = request.get_header_value("Origin");
  return origin == "http://" + host;
}

void LiveServer::Impl::answer(const httplib::Request& request, httplib::Response& response) {
  if (!same_secret(request.matches[1].str(), token)) return respond(response, 404, "there is nothing here");
  const std::string type = request.get_header_value("Content-Type");
  if (type != "application/json" && type.rfind("application/json;", 0) != 0)
    return respond(response, 415, "a request is JSON: give Content-Type: application/json");
  const Turn turn(taken);
  if (!turn.mine()) {
    response.set_header("Retry-After", "1");
    return respond(response, 503, "too many requests at once; come again");
  }
  const PatientServer::Answering answering;
  const DeskReply reply = desk.ask(request.matches[2].str(), request.body);
  response.status = status_of(reply.kind);
  response.set_content(reply.body, "application/json");
}

void LiveServer::Impl::install() {
  server.set_default_headers(headers_of_all());
  server.set_payload_max_length(kLongestRequest);
  server.set_tcp_nodelay(true);
  // Not the library's own, which let two programs share a port (SO_REUSEPORT).
  server.set_socket_options([](socket_t socket) {
    const int yes = 1;
    ::setsockopt(socket, SOL_SOCKET, SO_REUSEADDR, &yes, sizeof yes);
  });
  server.set_pre_routing_handler([this](const httplib::Request& request, httplib::Response& response) {
    if (from_here(request)) return httplib::Server::HandlerResponse::Unhandled;
    respond(response, 403, "this address answers its own page only");
    return httplib::Server::HandlerResponse::Handled;
  });
  server.set_exception_handler(
      [](const httplib::Request&, httplib::Response& response, const std::exception_ptr&) {
        respond(response, 500, "a fault of the program");
      });
  server.set_error_handler(httplib::Server::Handler([](const httplib::Request&, httplib::Response& response) {
    if (response.body.empty()) respond(response, response.status, refusal_of(response.status));
  }));
  server.Get("/([0-9a-f]+)/", [this](const httplib::Request& request, httplib::Response& response) {
    if (!same_secret(request.matches[1].str(), token)) return respond(response, 404, "there is nothing here");
    response.set_content(page, "text/html; charset=utf-8");
  });
  server.Post(
      "/([0-9a-f]+)/api/([a-z-]{1,20})",
      [this](const httplib::Request& request, httplib::Response& response) { answer(request, response); });
}

LiveServer::LiveServer(Desk& desk, std::string page) : impl_(std::make_unique<Impl>(desk, std::move(page))) {}

LiveServer::~LiveServer() = default;

tl::expected<std::unique_ptr<LiveServer>, std::string> LiveServer::open(Desk& desk, std::string page,
                                                                        int port) {
  std::unique_ptr<LiveServer> made(new LiveServer(desk, std::move(page)));
  Impl& impl = *made->impl_;
  try_threads(kMostConnections);
  auto token = random_token();
  if (!token) return tl::unexpected<std::string>("this machine has no random numbers to give");
  impl.token = std::move(*token);
  impl.install();
  if (port == 0) {
    impl.port = impl.server.bind_to_any_port(kHost);
    if (impl.port <= 0) return tl::unexpected<std::string>("no port of 127.0.0.1 is free");
  } else {
    if (!impl.server.bind_to_port(kHost, port))
      return tl::unexpected(fmt::format("port {} of 127.0.0.1 can't be had; name another", port));
    impl.port = port;
  }
  return made;
}

std::string LiveServer::address() const {
  return fmt::format("http://{}:{}/{}/", kHost, impl_->port, impl_->token);
}

void LiveServer::serve() {
  impl_->server.listen_after_bind();
}

}  // namespace withy
