// SPDX-License-Identifier: GPL-3.0-or-later
// What all commands of the program share: exit statuses, how a command joins the command line, how it speaks.
//
// A command is one file with one function `void add_NAME_command(CommandLine&)`, listed in commands.h. It
// adds itself, declares its options on the CLI::App it gets, and hands over what to run:
//
//     void add_check_command(CommandLine& line) {
//       auto options = std::make_shared<CheckOptions>();
//       CLI::App& app = line.add("check", "what it is for", "withy check scenes/straight/scene.toml");
//       add_option(app, "SCENE", options->scene, "scene file").required();
//       line.run(app, [options] { return check(*options); });
//     }
//
// CLI11 is one header that takes four to five seconds to compile, so command.cpp alone includes it.
//
// Results go to standard output; errors and progress to standard error.
#pragma once

#include <cstdint>
#include <functional>
#include <memory>
#include <string>
#include <vector>

#include "planner/effort/cut_short.h"
#include "planner/files/input_error.h"

namespace CLI {
class App;
class Option;
}  // namespace CLI

namespace withy {

enum class ExitStatus {
  done = 0,         ///< plan: reached
  our_fault = 1,    ///< a fault of the program or of the machine it runs on
  wrong_input = 2,  ///< one line on standard error says where and why
  unreachable = 3,  ///< proved
  undecided = 4,
  does_not_hold = 5,  ///< a script, plan or certificate that was read and does not hold
  interrupted = 130
};

class CommandLine {
 public:
  CommandLine();
  ~CommandLine();

  /// A new subcommand. `example` is one full line as a user would type it.
  CLI::App& add(const std::string& name, const std::string& summary, const std::string& example);

  /// What to do when this subcommand is named and its options are in order.
  void run(CLI::App& app, std::function<ExitStatus()> action);

  /// Parses the arguments and runs the command they name.
  ExitStatus execute(int argument_count, char** arguments);

 private:
  struct Entry {
    CLI::App* app;
    std::function<ExitStatus()> action;
  };
  std::unique_ptr<CLI::App> app_;
  std::vector<Entry> entries_;
};

/// The most work that can be asked for (about microseconds of a fast machine): a week and a half.
inline constexpr std::uint64_t kMostWork = 1'000'000'000'000;

/// What an option asks of its value.
class Option {
 public:
  explicit Option(CLI::Option& option) : option_(&option) {}
  Option& required();
  /// A finite decimal number within the range of that name (planner/files/ranges.h): "--clearance".
  Option& in_range_of(const std::string& quantity);
  /// Decimal digits only, from `least` to `most`.
  Option& within(std::uint64_t least, std::uint64_t most);
  /// Any whole number that 64 bits hold.
  Option& whole();
  Option& one_of(const std::vector<std::string>& words);

 private:
  CLI::Option* option_;
};

/// Adds an option, or an argument where `name` starts with no dash. The types of `value` that there are stand
/// at the end of command.cpp.
template <class Value>
Option add_option(CLI::App& app, const std::string& name, Value& value, const std::string& help);

/// Adds an option without a value.
void add_flag(CLI::App& app, const std::string& name, bool& value, const std::string& help);

/// One line on standard error, without what a terminal would act on. That nobody listens is no fault.
void say_aside(const std::string& text);

/// Says what is wrong with an input file, as one line; the status to leave with.
ExitStatus refuse(const InputError& error);

/// Says that a file was read and does not hold ("the body touches the wall"), as one line; the status to
/// leave with.
ExitStatus does_not_hold(const InputError& error);

/// Says what is wrong with the arguments themselves ("--locks 9 ..."), as one line; the status to leave with.
ExitStatus refuse_arguments(const std::string& command, const std::string& problem);

/// Says as one line, on standard output, how far a question got whose budget is spent; the status to leave
/// with.
ExitStatus say_cut_short(double budget_s, const CutShort& cut);

/// Adds the `--budget` of a command whose work ends by itself, so that it has no clock unless it is given
/// one. `what`: "the fit after the table is read".
void add_budget_option(CLI::App& app, double& budget_s, const std::string& what);

/// Adds `--quiet` with the words that all commands share.
void add_quiet_option(CLI::App& app, bool& quiet);

}  // namespace withy
