// SPDX-License-Identifier: GPL-3.0-or-later
// A seeded attack on every reader: sound files with one thing or several made wrong, thousands of them, and
// the corpus that fuzzers have gathered. Whatever comes, a reader answers with a value or with one line;
// anything else ends this program.
#include <cstdlib>
#include <filesystem>
#include <map>
#include <random>
#include <set>
#include <string>
#include <vector>

#include <catch2/catch.hpp>
#include <sys/resource.h>

#include "planner/files/input_file.h"
#include "planner/files/plain_line.h"
#include "tests/fuzz/readers.h"
#include "tests/support/sanitized.h"
#include "tests/support/temporary_folder.h"

using withy_test::fuzz_readers;
using withy_test::FuzzReader;
using withy_test::read_text;

namespace {

constexpr unsigned kSeed = 20260917;

/// Inputs for each reader: with 24 readers 2640. WITHY_ATTACKS=5000 build/tests/test_attack "[attacks]" makes
/// more.
int attacks_on_each() {
  const char* said = std::getenv("WITHY_ATTACKS");  // NOLINT(concurrency-mt-unsafe)
  return said == nullptr ? 110 : std::atoi(said);
}

const std::filesystem::path kCorpus = std::filesystem::path(WITHY_SOURCE_DIR) / "tests/fuzz/corpus";

std::vector<std::string> corpus_of(const std::string& reader) {
  std::set<std::filesystem::path> files;
  for (const auto& entry : std::filesystem::directory_iterator(kCorpus / reader)) files.insert(entry.path());
  std::vector<std::string> inputs;
  for (const auto& file : files) inputs.push_back(read_text(file));
  return inputs;
}

/// Numbers that are written easily and meant by nobody.
const std::vector<std::string> kNumbers = {"nan",
                                           "inf",
                                           "-inf",
                                           "1e308",
                                           "-1e308",
                                           "1e300",
                                           "5e-324",
                                           "-0.0",
                                           "0",
                                           "-1",
                                           "1e6",
                                           "1e-6",
                                           "0x1",
                                           "007",
                                           "1e12",
                                           "2147483648",
                                           "9223372036854775807",
                                           "18446744073709551615",
                                           "1000000000000000000000",
                                           "1_0",
                                           "+.5",
                                           "1,5",
                                           "",
                                           "\"1\"",
                                           "null",
                                           "[]",
                                           "{}",
                                           "true"};

/// Bytes that end strings, nest, or are no text.
const std::vector<std::string> kPieces = {
    std::string(1, '\0'),
    "\x1b[2J",
    "\xff\xfe",
    "\xed\xa0\x80",
    "\xe2\x80\xae",
    "\"",
    "'",
    "\\",
    "<script>",
    "]",
    "[[",
    "{",
    "#",
    "%",
    "(",
    "=",
    ",",
    "\r",
    "\n\n",
    "/*",
    std::string(5000, 'A'),
    std::string(3000, '['),
    std::string(2000, '('),
    "a.a.a.a.a.a.a.a.a.a.a.a.a.a.a.a.a.a.a.a.a.a.a.a.a.a.a.a.a.a.a.a.a.a.a=1\n"};

class Attacker {
 public:
  explicit Attacker(unsigned seed) : random_(seed) {}

  /// The text with one to three things made wrong.
  std::string attack(std::string text) {
    for (int times = 1 + below(3); times > 0; --times) text = once(std::move(text));
    return text;
  }

 private:
  int below(std::size_t n) { return n == 0 ? 0 : static_cast<int>(random_() % n); }
  template <class T>
  const T& one_of(const std::vector<T>& all) {
    return all[static_cast<std::size_t>(below(all.size()))];
  }
  std::size_t place(const std::string& text) { return static_cast<std::size_t>(below(text.size() + 1)); }

  std::string once(std::string text) {
    switch (below(9)) {
      case 0:
      case 1:
      case 2:
        return replace_number(std::move(text));
      case 3:
        return text.substr(0, place(text));
      case 4:
        return text.insert(place(text), one_of(kPieces));
      case 5:
        return drop_line(text);
      case 6:
        return repeat_part(std::move(text));
      case 7:
        if (!text.empty())
          text[static_cast<std::size_t>(below(text.size()))] ^= static_cast<char>(1 << below(8));
        return text;
      default:
        return swap_words(std::move(text));
    }
  }

  /// One of the text's numbers by one of ours.
  std::string replace_number(std::string text) {
    std::vector<std::pair<std::size_t, std::size_t>> found;
    const auto digit = [](char c) { return c >= '0' && c <= '9'; };
    for (std::size_t i = 0; i < text.size(); ++i) {
      if (!digit(text[i]) ||
          (i > 0 && (std::isalnum(static_cast<unsigned char>(text[i - 1])) || text[i - 1] == '.')))
        continue;
      std::size_t end = i;
      while (end < text.size() && (digit(text[end]) || text[end] == '.')) ++end;
      found.emplace_back(i, end - i);
      i = end;
    }
    if (found.empty()) return text;
    const auto [at, length] = one_of(found);
    return text.replace(at, length, one_of(kNumbers));
  }

  std::string drop_line(const std::string& text) {
    const std::size_t at = place(text);
    const std::size_t from = at == 0 ? 0 : text.rfind('\n', at - 1) + 1;
    const std::size_t to = text.find('\n', at);
    return text.substr(0, from) + (to == text.npos ? "" : text.substr(to + 1));
  }

  std::string repeat_part(std::string text) {
    const std::size_t at = place(text);
    const std::string part = text.substr(at, static_cast<std::size_t>(below(200)));
    const int times = 1 + below(20);
    std::string more;
    for (int i = 0; i < times; ++i) more += part;
    return text.insert(at, more);
  }

  std::string swap_words(std::string text) {
    static const std::map<std::string, std::string> kSwaps = {
        {"true", "false"},   {"lock", "unlock"},  {"\"in\"", "\"out\""},
        {"advance", "lock"}, {"mm", "m"},         {"ENGAGE", "RELEASE"},
        {"G1", "G0"},        {"vertex", "facet"}, {"reached", "unreachable"},
        {"1", "9"}};
    auto which = kSwaps.begin();
    std::advance(which, below(kSwaps.size()));
    const std::size_t at = text.find(which->first, place(text));
    return at == text.npos ? text : text.replace(at, which->first.size(), which->second);
  }

  std::mt19937 random_;
};

/// One line that says something, and nothing that a terminal acts on once it is printed.
void check_words(const std::string& words) {
  CHECK_FALSE(words.empty());
  const std::string printed = withy::plain_line(words);
  CHECK(withy::is_utf8(printed));
  CHECK(printed.find_first_of(std::string("\n\r\t\x1b\0", 5)) == printed.npos);
  CHECK(printed.size() < 20000);
}

}  // namespace

TEST_CASE("The kept corpus of every reader is read without harm") {
  for (const FuzzReader& reader : fuzz_readers()) {
    const auto inputs = corpus_of(reader.name);
    CAPTURE(reader.name);
    CHECK_FALSE(inputs.empty());
    for (const std::string& input : inputs)
      if (const auto words = reader.read(input)) check_words(*words);
  }
}

TEST_CASE("Sound files are taken: the attack below begins with what readers accept") {
  for (const FuzzReader& reader : fuzz_readers()) {
    CAPTURE(reader.name);
    const auto words = reader.read(read_text(kCorpus / reader.name / "0-sound"));
    CAPTURE(words.value_or(""));
    CHECK_FALSE(words.has_value());
  }
}

TEST_CASE("More than 1,500 wrong files: each is refused with words or taken, and nothing else happens",
          "[attacks]") {
  UNSCOPED_INFO("seed " << kSeed);
  int attacks = 0;
  for (const FuzzReader& reader : fuzz_readers()) {
    const auto inputs = corpus_of(reader.name);
    Attacker attacker(kSeed);
    for (int i = 0; i < attacks_on_each(); ++i) {
      // Every second one starts from the sound file, which is the first.
      const std::string& from = inputs[i % 2 == 0 ? 0 : static_cast<std::size_t>(i) % inputs.size()];
      const std::string attacked = attacker.attack(from);
      CAPTURE(reader.name, i);
      if (const auto words = reader.read(attacked)) check_words(*words);
      ++attacks;
    }
  }
  CHECK(attacks >= 1500);
  rusage use{};
  getrusage(RUSAGE_SELF, &use);
  CHECK(use.ru_maxrss < 2L * 1024 * 1024 * withy_test::kTimesMemory);  // kB
}
