// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/files/sha256.h"

#include <array>
#include <stdexcept>

#include <fmt/core.h>
#include <openssl/evp.h>

namespace withy {

std::string sha256(std::string_view bytes) {
  std::array<unsigned char, EVP_MAX_MD_SIZE> digest{};
  unsigned int size = 0;
  // Fails only when the library has no SHA-256 at all: a broken installation, not an answer.
  if (EVP_Digest(bytes.data(), bytes.size(), digest.data(), &size, EVP_sha256(), nullptr) != 1)
    throw std::runtime_error("libcrypto has no SHA-256");
  std::string hex;
  for (unsigned int i = 0; i < size; ++i) hex += fmt::format("{:02x}", digest[i]);
  return hex;
}

}  // namespace withy
