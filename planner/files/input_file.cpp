// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/files/input_file.h"

#include <algorithm>
#include <cerrno>
#include <string_view>
#include <utility>

#include <fcntl.h>
#include <fmt/format.h>
#include <sys/stat.h>
#include <unistd.h>

namespace withy {
namespace {

/// A descriptor that closes itself.
class Opened {
 public:
  explicit Opened(const std::filesystem::path& file)
      : descriptor_(::open(file.c_str(), O_RDONLY | O_NONBLOCK | O_CLOEXEC | O_NOCTTY)) {}
  ~Opened() {
    if (descriptor_ >= 0) ::close(descriptor_);
  }
  Opened(const Opened&) = delete;
  Opened& operator=(const Opened&) = delete;
  int operator*() const { return descriptor_; }

 private:
  int descriptor_;
};

constexpr std::size_t kBytesPerMegabyte = std::size_t{1} << 20;

tl::unexpected<InputError> refused_input(const std::filesystem::path& file, std::string problem,
                                         std::string remedy) {
  return input_error(file.string(), 1, 1, std::move(problem), std::move(remedy));
}

/// Length of the well-formed sequence that begins `text`, 0 where there is none (RFC 3629, section 4).
std::size_t utf8_length(std::string_view text) {
  const auto byte = [&](std::size_t i) { return static_cast<unsigned char>(text[i]); };
  const unsigned char first = byte(0);
  if (first < 0x80) return 1;
  const std::size_t length = first >= 0xC2 && first <= 0xDF   ? 2
                             : first >= 0xE0 && first <= 0xEF ? 3
                             : first >= 0xF0 && first <= 0xF4 ? 4
                                                              : 0;
  if (length == 0 || text.size() < length) return 0;
  const unsigned char low = first == 0xE0 ? 0xA0 : first == 0xF0 ? 0x90 : 0x80;
  const unsigned char high = first == 0xED ? 0x9F : first == 0xF4 ? 0x8F : 0xBF;
  if (byte(1) < low || byte(1) > high) return 0;
  for (std::size_t i = 2; i < length; ++i)
    if ((byte(i) & 0xC0) != 0x80) return 0;
  return length;
}

}  // namespace

std::size_t first_fault_of_utf8(std::string_view text) {
  std::size_t at = 0;
  while (at < text.size()) {
    const std::size_t length = utf8_length(text.substr(at));
    if (length == 0) return at;
    at += length;
  }
  return at;
}

Result<std::string> read_input(const std::filesystem::path& file, std::size_t most) {
  // The system would open what stands before it.
  if (file.native().find('\0') != std::string::npos)
    return refused_input(file, "this name holds a zero byte", "give the path of a readable file");
  const Opened opened(file);
  struct stat about = {};
  if (*opened < 0 || ::fstat(*opened, &about) != 0 || S_ISDIR(about.st_mode))
    return refused_input(file, "the file can't be read", "give the path of a readable file");
  if (!S_ISREG(about.st_mode))
    return refused_input(file, "this is a pipe or a device, no file", "give the path of a regular file");
  const auto too_large = [&] {
    return refused_input(file, fmt::format("the file has more than {} MB", most / kBytesPerMegabyte),
                         "give the file that was meant");
  };
  if (static_cast<std::size_t>(about.st_size) > most) return too_large();
  std::string bytes(static_cast<std::size_t>(about.st_size), '\0');
  std::size_t got = 0;
  while (true) {
    // Files that the kernel makes up (/proc) have size 0 and grow while they are read.
    if (got == bytes.size()) bytes.resize(std::min(most + 1, 2 * bytes.size() + 4096));
    const ssize_t n = ::read(*opened, bytes.data() + got, bytes.size() - got);
    if (n < 0 && errno == EINTR) continue;
    if (n < 0) return refused_input(file, "the file can't be read", "give the path of a readable file");
    if (n == 0) break;
    got += static_cast<std::size_t>(n);
    if (got > most) return too_large();
  }
  bytes.resize(got);
  return bytes;
}

Result<std::string> read_text_input(const std::filesystem::path& file, std::size_t most) {
  auto text = read_input(file, most);
  if (!text) return text;
  const std::size_t fault = first_fault_of_utf8(*text);
  if (fault == text->size()) return text;
  const std::string_view before = std::string_view(*text).substr(0, fault);
  int line = 1;
  for (const char c : before) line += c == '\n' ? 1 : 0;
  const std::size_t start = before.rfind('\n') == before.npos ? 0 : before.rfind('\n') + 1;
  return input_error(file.string(), line, static_cast<int>(fault - start) + 1, "this is no UTF-8 text",
                     "save the file as UTF-8");
}

}  // namespace withy
