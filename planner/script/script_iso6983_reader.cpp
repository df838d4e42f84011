// SPDX-License-Identifier: GPL-3.0-or-later
#include <algorithm>
#include <cctype>
#include <optional>
#include <utility>

#include <fmt/format.h>

#include "planner/files/ranges.h"
#include "planner/script/script_iso6983.h"
#include "planner/script/script_numbers.h"

namespace withy {
namespace {

/// A piece of a line and where it starts.
struct Token {
  std::string_view text;
  int column = 1;
};

std::vector<Token> split_at_spaces(std::string_view text, int first_column) {
  std::vector<Token> tokens;
  std::size_t at = 0;
  while ((at = text.find_first_not_of(" \t", at)) != text.npos) {
    const std::size_t end = std::min(text.find_first_of(" \t", at), text.size());
    tokens.push_back({text.substr(at, end - at), first_column + static_cast<int>(at)});
    at = end;
  }
  return tokens;
}

std::string lower(std::string_view text) {
  std::string out(text);
  for (char& c : out)
    if (c >= 'A' && c <= 'Z') c = static_cast<char>(c - 'A' + 'a');
  return out;
}

using Fault = std::optional<InputError>;

class ProgramReader {
 public:
  ProgramReader(const std::string& file, const Actuation& actuation) : file_(file) {
    letters_.push_back(actuation.advance_axis);
    letters_.insert(letters_.end(), actuation.tendon_axes.begin(), actuation.tendon_axes.end());
    script_.tendons = static_cast<int>(actuation.tendon_axes.size());
    coil_letters_ = actuation.coil_axes;
    now_.action = "start";
    now_.pull_mm.assign(actuation.tendon_axes.size(), 0.0);
  }

  Result<Script> read(std::string_view text) {
    std::size_t at = 0;
    while (at < text.size()) {
      const std::size_t end = std::min(text.find('\n', at), text.size());
      std::string_view line = text.substr(at, end - at);
      if (!line.empty() && line.back() == '\r') line.remove_suffix(1);
      ++line_;
      if (const Fault fault = read_line(line)) return tl::unexpected(*fault);
      at = end + 1;
    }
    if (!ended_) return tl::unexpected(error(1, "the program never ends", "end it with M2"));
    if (opened_ && !closed_)
      return tl::unexpected(error(1, "the program's last % is missing", "end the file with it"));
    if (!locks_known_)
      return tl::unexpected(error(1, "the program doesn't say how many locks there are",
                                  "give the comment (LOCKS n) as withy script writes it"));
    begin();  // a program may do nothing: it is then at its start
    return std::move(script_);
  }

 private:
  InputError error(int column, std::string problem, std::string remedy) const {
    return {file_, std::max(line_, 1), column, std::move(problem), std::move(remedy)};
  }

  // --- Lines ---

  Fault read_line(std::string_view line) {
    const std::size_t first = line.find_first_not_of(" \t");
    if (first == line.npos) return std::nullopt;
    if (line[first] == '%') return read_percent(line, first);
    if (closed_) return error(column_of(first), "text follows the program's end", "leave it out");
    blocks_seen_ = true;
    words_.clear();
    if (const Fault fault = split_line(line)) return fault;
    return words_.empty() ? std::nullopt : run_block();
  }

  static int column_of(std::size_t offset) { return static_cast<int>(offset) + 1; }

  Fault read_percent(std::string_view line, std::size_t at) {
    if (line.find_first_not_of(" \t", at + 1) != line.npos)
      return error(column_of(at + 1), "text follows a %", "leave % alone on its line");
    if (closed_ || (blocks_seen_ && !ended_))
      return error(column_of(at), "a % stands inside the program",
                   "put one before the program and one after it");
    (blocks_seen_ ? closed_ : opened_) = true;
    return std::nullopt;
  }

  /// Reads the comments as they come and gathers the words.
  Fault split_line(std::string_view line) {
    std::size_t at = 0;
    while ((at = line.find_first_not_of(" \t", at)) != line.npos) {
      if (line[at] == '(') {
        const std::size_t close = line.find_first_of("()", at + 1);
        if (close == line.npos)
          return error(column_of(at), "this comment is never closed", "close it on the same line");
        if (line[close] == '(')
          return error(column_of(close), "a comment stands inside a comment", "use brackets there");
        if (const Fault fault = read_comment(line.substr(at + 1, close - at - 1), column_of(at + 1)))
          return fault;
        at = close + 1;
        continue;
      }
      if (const Fault fault = read_word(line, at)) return fault;
    }
    return std::nullopt;
  }

  struct Word {
    char letter;
    double value;
    int column;
  };

  Fault read_word(std::string_view line, std::size_t& at) {
    const char letter = static_cast<char>(std::toupper(static_cast<unsigned char>(line[at])));
    const std::size_t end = std::min(line.find_first_not_of("+-.0123456789", at + 1), line.size());
    const auto value = parse_script_number(line.substr(at + 1, end - at - 1));
    if (letter < 'A' || letter > 'Z')
      return error(column_of(at), fmt::format("\"{}\" opens no word", line[at]),
                   "start each word with its letter");
    if (!value)
      return error(column_of(at), fmt::format("no number follows the letter {}", letter),
                   "write a decimal number without an exponent");
    if (const auto wrong = range_fault("", *value))
      return error(column_of(at), fmt::format("{}{:g} is out of range", letter, *value), "write " + *wrong);
    words_.push_back({letter, *value, column_of(at)});
    at = end;
    return std::nullopt;
  }

  // --- Blocks ---

  struct Block {
    bool moves = false;
    bool drives = false;  // coils
    bool dwells = false;
    bool ends = false;
    std::optional<double> p;
    int column = 1;  // of the word that decides what the block does
    int p_column = 1;
  };

  Fault run_block() {
    if (ended_) return error(words_.front().column, "a word follows the program's end", "leave it out");
    Block block;
    Waypoint to = now_;
    for (const Word& word : words_)
      if (const Fault fault = take_word(word, block, to)) return fault;
    if (block.p && !block.dwells) return error(block.p_column, "a P word without G4", "write G4 before it");
    if (block.dwells) return run_dwell(block);
    if (block.drives) return run_currents(block, to);
    if (block.moves) return run_move(block, std::move(to));
    if (block.ends) ended_ = true;
    return std::nullopt;
  }

  Fault take_word(const Word& word, Block& block, Waypoint& to) {
    switch (word.letter) {
      case 'G':
        return take_g(word, block);
      case 'M':
        if (word.value == 2.0 || word.value == 30.0)
          block.ends = true;
        else if (word.value != 0.0)
          return unknown(word, "use M0 for a stop and M2 for the end");
        return std::nullopt;
      case 'F':
        if (!(word.value > 0.0))
          return error(word.column, "the feed is not above 0", "give F in mm per minute");
        if (const Fault fault = check_range(word, "script.feed_mm_per_min")) return fault;
        feed_known_ = true;
        return std::nullopt;
      case 'P':
        block.p = word.value;
        block.p_column = word.column;
        return std::nullopt;
      case 'N':
        return std::nullopt;
      default:
        return take_axis(word, block, to);
    }
  }

  Fault unknown(const Word& word, std::string remedy) const {
    return error(word.column, fmt::format("{}{:g} is not used in these programs", word.letter, word.value),
                 std::move(remedy));
  }

  Fault take_g(const Word& word, Block& block) {
    if (word.value == 1.0)
      linear_ = true;
    else if (word.value == 4.0)
      block.dwells = true;
    else if (word.value == 21.0)
      in_mm_ = true;
    else if (word.value == 90.0)
      absolute_ = true;
    else if (word.value == 94.0)
      per_minute_ = true;
    else
      return unknown(word, "use G1 to move, G4 to dwell, G21 G90 G94 at the start");
    block.column = word.column;
    return std::nullopt;
  }

  Fault check_range(const Word& word, std::string_view quantity) const {
    const auto wrong = range_fault(quantity, word.value);
    if (!wrong) return std::nullopt;
    return error(word.column, fmt::format("{}{:g} is out of range", word.letter, word.value),
                 "write " + *wrong);
  }

  Fault take_axis(const Word& word, Block& block, Waypoint& to) {
    const auto coil = std::find(coil_letters_.begin(), coil_letters_.end(), std::string(1, word.letter));
    if (coil != coil_letters_.end()) return take_current(word, coil - coil_letters_.begin(), block, to);
    const auto axis = std::find(letters_.begin(), letters_.end(), std::string(1, word.letter));
    if (axis == letters_.end())
      return error(word.column, fmt::format("the unit has no axis {}", word.letter),
                   fmt::format("use the scene's letters {}", fmt::join(letters_, " ")));
    const auto index = static_cast<std::size_t>(axis - letters_.begin());
    if (const Fault fault = check_range(word, index == 0 ? "script.insertion_mm" : "script.pull_mm"))
      return fault;
    (index == 0 ? to.insertion_mm : to.pull_mm[index - 1]) = word.value;
    if (!block.moves) block.column = word.column;
    block.moves = true;
    return std::nullopt;
  }

  Fault take_current(const Word& word, std::ptrdiff_t coil, Block& block, Waypoint& to) {
    const auto index = static_cast<std::size_t>(coil);
    if (script_.coils != static_cast<int>(coil_letters_.size()))
      return error(word.column,
                   fmt::format("a coil's current, but the program says (COILS {})", script_.coils),
                   fmt::format("the scene letters {} coils", coil_letters_.size()));
    begin();
    to.current_A.resize(coil_letters_.size(), 0.0);
    to.current_A[index] = word.value;
    if (!block.drives) block.column = word.column;
    block.drives = true;
    return std::nullopt;
  }

  /// Currents belong to the row at hand: the switch, or the field's end, that stands before them.
  Fault run_currents(const Block& block, const Waypoint& to) {
    if (block.moves || block.dwells)
      return error(block.column, "coil currents beside a move or a dwell",
                   "write them in lines of their own");
    if (!linear_) return error(block.column, "a coil is driven before any G1", "write G1 in front");
    if (!feed_known_)
      return error(block.column, "a coil is driven before any F", "give the feed in A per minute");
    begin();
    now_.current_A = to.current_A;
    script_.waypoints.back().current_A = to.current_A;
    return std::nullopt;
  }

  Fault run_dwell(const Block& block) {
    if (block.moves) return error(block.column, "a dwell and a move in one line", "write them in two");
    if (!block.p) return error(block.column, "G4 has no P", "give the seconds to dwell");
    if (const auto wrong = range_fault("script.dwell_s", *block.p))
      return error(block.p_column, fmt::format("the dwell is {:g} s", *block.p), "give " + *wrong);
    begin();
    script_.waypoints.back().dwell_s += *block.p;
    return std::nullopt;
  }

  Fault run_move(const Block& block, Waypoint to) {
    if (!linear_) return error(block.column, "an axis moves before any G1", "write G1 in front");
    if (!in_mm_ || !absolute_ || !per_minute_)
      return error(block.column, "an axis moves before G21 G90 G94", "write them at the start");
    if (!feed_known_)
      return error(block.column, "an axis moves before any F", "give the feed in mm per minute");
    begin();
    now_.insertion_mm = to.insertion_mm;
    now_.pull_mm = std::move(to.pull_mm);
    append();
    return std::nullopt;
  }

  // --- Way-points ---

  /// The start, once: the row that a program has no block for.
  void begin() {
    if (!script_.waypoints.empty()) return;
    Waypoint start = now_;
    start.action = "start";
    start.note.clear();
    start.current_A.assign(static_cast<std::size_t>(script_.coils), 0.0);
    start.line = line_;
    script_.waypoints.push_back(start);
    now_.current_A = start.current_A;
  }

  void append() {
    now_.step = static_cast<int>(script_.waypoints.size());
    now_.line = line_;
    now_.dwell_s = 0.0;
    script_.waypoints.push_back(now_);
    now_.note.clear();
  }

  // --- Comments ---

  /// Keywords are in capitals; any other comment is for people only.
  Fault read_comment(std::string_view text, int column) {
    const auto tokens = split_at_spaces(text, column);
    if (tokens.empty()) return std::nullopt;
    const std::string_view keyword = tokens.front().text;
    if (keyword == "SCENE") return read_hash(tokens, script_.scene_sha256);
    if (keyword == "MESH") return read_hash(tokens, script_.mesh_sha256);
    if (keyword == "LOCKS") {
      locks_known_ = true;
      return read_count(tokens, kMaxLocks, script_.locks);
    }
    if (keyword == "COILS") return read_count(tokens, kMaxCoils, script_.coils);
    if (text == kPullsCompensated) script_.compensated = true;
    if (keyword == "START") return read_start(tokens);
    if (keyword == "ACTION") return read_action(text, tokens);
    if (keyword == "SWITCH") return read_switch(tokens);
    if (keyword == "HUNT") return read_hunt(tokens);
    if (keyword == "FIELD") return read_field_off(tokens);
    return std::nullopt;
  }

  Fault malformed(const Token& at, std::string remedy) const {
    return error(at.column, fmt::format("\"{}\" doesn't belong here", at.text), std::move(remedy));
  }

  Fault read_hash(const std::vector<Token>& tokens, std::string& out) {
    constexpr std::size_t kHashLength = 64;
    if (tokens.size() != 3 || tokens[1].text != "SHA256" || tokens[2].text.size() != kHashLength)
      return malformed(tokens.front(), "write SHA256 and 64 hexadecimal digits after it");
    out = tokens[2].text;
    return std::nullopt;
  }

  Fault read_count(const std::vector<Token>& tokens, int most, int& out) {
    const auto count = tokens.size() == 2 ? parse_script_count(tokens[1].text) : std::nullopt;
    if (!count || *count > most)
      return malformed(tokens.back(),
                       fmt::format("write {} and a number from 0 to {}", tokens.front().text, most));
    if (!script_.waypoints.empty()) return malformed(tokens.front(), "write it before the first move");
    out = *count;
    return std::nullopt;
  }

  /// (START AT Z12.5 A0.1 .. LOCK1 ..): where the axes and locks stand before the first move.
  Fault read_start(const std::vector<Token>& tokens) {
    if (!script_.waypoints.empty()) return malformed(tokens.front(), "write it before the first move");
    if (tokens.size() < 2 + letters_.size() || tokens[1].text != "AT")
      return malformed(tokens.front(), "write START AT and every axis after it");
    for (std::size_t k = 0; k < letters_.size(); ++k) {
      const Token& token = tokens[2 + k];
      const std::string_view text = token.text;
      const auto value =
          text.starts_with(letters_[k]) ? parse_script_number(text.substr(letters_[k].size())) : std::nullopt;
      if (!value) return malformed(token, fmt::format("write {} and a decimal number", letters_[k]));
      if (const auto wrong = range_fault(k == 0 ? "script.insertion_mm" : "script.pull_mm", *value))
        return malformed(token, "write " + *wrong);
      (k == 0 ? now_.insertion_mm : now_.pull_mm[k - 1]) = *value;
    }
    constexpr std::string_view kLock = "LOCK";
    for (std::size_t k = 2 + letters_.size(); k < tokens.size(); ++k) {
      const std::string_view text = tokens[k].text;
      const auto lock =
          text.starts_with(kLock) ? parse_script_count(text.substr(kLock.size())) : std::nullopt;
      if (!lock || *lock < 1 || *lock > script_.locks)
        return malformed(tokens[k], fmt::format("name a lock from LOCK1 to LOCK{}", script_.locks));
      now_.engaged.set(static_cast<std::size_t>(*lock - 1));
    }
    return std::nullopt;
  }

  /// (ACTION name - note)
  Fault read_action(std::string_view text, const std::vector<Token>& tokens) {
    if (tokens.size() < 2) return malformed(tokens.front(), "name the action after it");
    begin();
    now_.action = lower(tokens[1].text);
    now_.note.clear();
    constexpr std::string_view kDash = " - ";
    if (const std::size_t dash = text.find(kDash); dash != text.npos)
      now_.note = text.substr(dash + kDash.size());
    return std::nullopt;
  }

  /// (SWITCH LOCK i ENGAGE|RELEASE), with coils (... FIELD_MT x y z CURRENT_A a b c)
  Fault read_switch(const std::vector<Token>& tokens) {
    constexpr std::size_t kField = 4;
    if (!names_field(tokens, kField))
      return malformed(
          tokens.front(),
          "write SWITCH LOCK i ENGAGE or RELEASE, with coils FIELD_MT x y z CURRENT_A and one for each coil");
    const auto lock = lock_named(tokens[2]);
    if (!lock) return malformed(tokens[2], fmt::format("name a lock from 1 to {}", script_.locks));
    if (hunted_lock_ && *hunted_lock_ != *lock)
      return malformed(tokens[2],
                       fmt::format("switch lock {}, which the sweep before this is for", *hunted_lock_));
    hunted_lock_.reset();
    const bool engage = tokens[3].text == "ENGAGE";
    if (!engage && tokens[3].text != "RELEASE") return malformed(tokens[3], "write ENGAGE or RELEASE");
    begin();
    now_.engaged.set(static_cast<std::size_t>(*lock - 1), engage);
    return take_field(tokens, kField);
  }

  /// (HUNT LOCK i), with coils (... FIELD_MT x y z CURRENT_A a b c): the field stays on for the moves that
  /// follow.
  Fault read_hunt(const std::vector<Token>& tokens) {
    constexpr std::size_t kField = 3;
    if (!names_field(tokens, kField))
      return malformed(tokens.front(),
                       "write HUNT LOCK i, with coils FIELD_MT x y z CURRENT_A and one for each coil");
    hunted_lock_ = lock_named(tokens[2]);
    if (!hunted_lock_) return malformed(tokens[2], fmt::format("name a lock from 1 to {}", script_.locks));
    begin();
    return take_field(tokens, kField);
  }

  /// Is this KEYWORD LOCK i .. with, from token `field` on, a field where there are coils, their currents too
  /// where an operator sets them, and nothing where there are none?
  bool names_field(const std::vector<Token>& tokens, std::size_t field) const {
    const auto coils = static_cast<std::size_t>(script_.coils);
    const std::size_t currents = field + 4;
    const bool plain = coils == 0 && tokens.size() == field;
    const bool driven = !coil_letters_.empty();
    const bool with_field = coils > 0 && tokens.size() == (driven ? currents : currents + 1 + coils) &&
                            tokens[field].text == "FIELD_MT" &&
                            (driven || tokens[currents].text == "CURRENT_A");
    return (plain || with_field) && tokens[1].text == "LOCK";
  }

  std::optional<int> lock_named(const Token& token) const {
    const auto lock = parse_script_count(token.text);
    return lock && *lock >= 1 && *lock <= script_.locks ? lock : std::nullopt;
  }

  /// Takes the field and the currents that names_field found from token `field` on, and ends the row.
  Fault take_field(const std::vector<Token>& tokens, std::size_t field) {
    const std::size_t currents = field + 4;
    for (std::size_t k = field + 1; k < tokens.size(); ++k) {
      if (k == currents) continue;
      const auto value = parse_script_number(tokens[k].text);
      if (!value) return malformed(tokens[k], "write a decimal number without an exponent");
      if (const auto wrong = range_fault(k < currents ? "script.field_mT" : "script.current_A", *value))
        return malformed(tokens[k], "write " + *wrong);
      (k < currents ? now_.field_S(static_cast<Eigen::Index>(k - field - 1))
                    : now_.current_A[k - currents - 1]) = *value;
    }
    append();
    return std::nullopt;
  }

  Fault read_field_off(const std::vector<Token>& tokens) {
    if (tokens.size() != 2 || tokens[1].text != "OFF") return malformed(tokens.back(), "write FIELD OFF");
    begin();
    now_.field_S.setZero();
    if (coil_letters_.empty()) std::fill(now_.current_A.begin(), now_.current_A.end(), 0.0);
    append();
    return std::nullopt;
  }

  const std::string& file_;
  std::vector<std::string> letters_;
  std::vector<std::string> coil_letters_;  // empty: an operator sets the currents
  Script script_;
  Waypoint now_;  // where the axes and locks stand; its action and note go to the next row
  std::vector<Word> words_;
  std::optional<int> hunted_lock_;  // from 1, until it switches
  int line_ = 0;
  bool opened_ = false;
  bool closed_ = false;
  bool blocks_seen_ = false;
  bool ended_ = false;
  bool linear_ = false;
  bool in_mm_ = false;
  bool absolute_ = false;
  bool per_minute_ = false;
  bool feed_known_ = false;
  bool locks_known_ = false;
};

}  // namespace

Result<Script> read_iso6983(std::string_view text, const std::string& file, const Actuation& actuation) {
  return ProgramReader(file, actuation).read(text);
}

}  // namespace withy
