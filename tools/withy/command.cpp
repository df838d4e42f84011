// SPDX-License-Identifier: GPL-3.0-or-later
#include "tools/withy/command.h"

#include <algorithm>
#include <cstdint>
#include <cstdio>
#include <exception>
#include <filesystem>
#include <new>
#include <optional>
#include <system_error>

#include <CLI/CLI.hpp>
#include <fmt/core.h>

#include "planner/files/input_file.h"
#include "planner/files/plain_line.h"
#include "tools/withy/number_lists.h"
#include "tools/withy/option_checks.h"

namespace withy {
namespace {

// What a person can name; longer names come from files.
constexpr std::size_t kLongestName = 1000;

/// An error's line, its long words cut.
void say_error(InputError error) {
  error.file = plain_line(error.file, kLongestName);
  error.problem = plain_line(error.problem);
  error.remedy = plain_line(error.remedy);
  say_aside(error.message());
}

/// Results that never arrived (a full disk behind a redirection) must not end in "done".
ExitStatus flushed(ExitStatus status) {
  if (std::fflush(stdout) == 0 && std::ferror(stdout) == 0) return status;
  say_aside("withy: standard output can't be written");
  return ExitStatus::our_fault;
}

ExitStatus fault_of_ours(const std::exception& error) {
  say_aside(fmt::format("withy: this is a fault of the program: {}", error.what()));
  return ExitStatus::our_fault;
}

}  // namespace

CommandLine::CommandLine()
    : app_(std::make_unique<CLI::App>("Plans the motion of a tendon-driven segment with on-board locks.",
                                      "withy")) {
  app_->require_subcommand(1);
  app_->set_version_flag("--version", std::string("withy ") + WITHY_VERSION, "print the version and leave");
  app_->set_help_flag("-h,--help", "print this help and leave");
  app_->footer(
      "Exit status: 0 done (plan: reached), 3 proved unreachable, 4 undecided, 2 the input is wrong,\n"
      "5 a script or plan that was read does not hold, 1 a fault of the program, 130 interrupted.\n"
      "`withy COMMAND --help` gives a command's options, their units and an example.");
}

CommandLine::~CommandLine() = default;

CLI::App& CommandLine::add(const std::string& name, const std::string& summary, const std::string& example) {
  CLI::App& command = *app_->add_subcommand(name, summary);
  command.footer("Example:\n  " + example);
  return command;
}

void CommandLine::run(CLI::App& app, std::function<ExitStatus()> action) {
  entries_.push_back({&app, std::move(action)});
}

ExitStatus CommandLine::execute(int argument_count, char** arguments) {
  for (int i = 1; i < argument_count; ++i)
    if (!is_utf8(arguments[i]))
      return refuse_arguments("", fmt::format("the argument {} is no UTF-8, and files could not name it",
                                              without_controls(arguments[i])));
  try {
    app_->parse(argument_count, arguments);
    const auto named =
        std::find_if(entries_.begin(), entries_.end(), [](const Entry& e) { return e.app->parsed(); });
    return flushed(named->action());
  } catch (const CLI::ParseError& error) {
    if (error.get_exit_code() == static_cast<int>(CLI::ExitCodes::Success)) {
      app_->exit(error);  // prints the help or the version that was asked for
      return flushed(ExitStatus::done);
    }
    const auto named = app_->get_subcommands();
    if (!named.empty()) return refuse_arguments(named.front()->get_name(), error.what());
    if (argument_count < 2) return refuse_arguments("", "a command is missing");
    return refuse_arguments("", fmt::format("there is no command {}", arguments[1]));
  } catch (const std::system_error& error) {
    if (error.code() == std::errc::resource_unavailable_try_again) {
      say_aside(
          "withy: this machine lets it have no more threads or memory; end other programs, or raise the "
          "limit "
          "that it was started with (ulimit -u, ulimit -v)");
      return ExitStatus::our_fault;
    }
    // How fmt says that it can't print.
    if (std::ferror(stdout) == 0) return fault_of_ours(error);
    return flushed(ExitStatus::our_fault);
  } catch (const std::bad_alloc&) {
    say_aside("withy: there is not enough memory for this on this machine");
    return ExitStatus::our_fault;
  } catch (const std::exception& error) {
    return fault_of_ours(error);
  }
}

void say_aside(const std::string& text) {
  std::fputs((without_controls(text) + "\n").c_str(), stderr);  // fmt::print throws where stderr is closed
}

ExitStatus refuse(const InputError& error) {
  say_error(error);
  return ExitStatus::wrong_input;
}

ExitStatus does_not_hold(const InputError& error) {
  say_error(error);
  return ExitStatus::does_not_hold;
}

ExitStatus refuse_arguments(const std::string& command, const std::string& problem) {
  const std::string name = command.empty() ? "withy" : "withy " + command;
  say_aside(fmt::format("{}: {}; {} --help lists what there is", name, plain_line(problem), name));
  return ExitStatus::wrong_input;
}

Option& Option::required() {
  option_->required();
  return *this;
}

Option& Option::in_range_of(const std::string& quantity) {
  option_->check(in_range(quantity));
  return *this;
}

Option& Option::within(std::uint64_t least, std::uint64_t most) {
  option_->check(whole_number(least, most));
  return *this;
}

Option& Option::whole() {
  option_->check(seed_number());
  return *this;
}

Option& Option::one_of(const std::vector<std::string>& words) {
  option_->check(CLI::IsMember(words));
  return *this;
}

template <class Value>
Option add_option(CLI::App& app, const std::string& name, Value& value, const std::string& help) {
  return Option(*app.add_option(name, value, help));
}

template Option add_option(CLI::App&, const std::string&, int&, const std::string&);
template Option add_option(CLI::App&, const std::string&, std::int64_t&, const std::string&);
template Option add_option(CLI::App&, const std::string&, std::uint64_t&, const std::string&);
template Option add_option(CLI::App&, const std::string&, double&, const std::string&);
template Option add_option(CLI::App&, const std::string&, std::string&, const std::string&);
template Option add_option(CLI::App&, const std::string&, std::filesystem::path&, const std::string&);
template Option add_option(CLI::App&, const std::string&, std::optional<int>&, const std::string&);
template Option add_option(CLI::App&, const std::string&, std::optional<double>&, const std::string&);
template Option add_option(CLI::App&, const std::string&, std::vector<int>&, const std::string&);
template Option add_option(CLI::App&, const std::string&, std::vector<double>&, const std::string&);
template Option add_option(CLI::App&, const std::string&, std::vector<std::filesystem::path>&,
                           const std::string&);

Option add_numbers(CLI::App& app, const std::string& name, std::vector<double>& values, int each, bool often,
                   const std::string& help) {
  CLI::Option* option = app.add_option(name, values, help);
  option->type_size(each)->expected(1, often ? CLI::detail::expected_max_vector_size : 1);
  option->allow_extra_args(false);
  return Option(*option);
}

void add_flag(CLI::App& app, const std::string& name, bool& value, const std::string& help) {
  app.add_flag(name, value, help);
}

ExitStatus say_cut_short(double budget_s, const CutShort& cut) {
  fmt::print("undecided: the budget of {:g} s is spent; done: {}; not done: {}; give a larger --budget\n",
             budget_s, cut.finished, cut.open);
  return ExitStatus::undecided;
}

void add_budget_option(CLI::App& app, double& budget_s, const std::string& what) {
  add_option(
      app, "--budget", budget_s,
      "seconds for " + what +
          "; where they are spent one line says how far it got, with status 4; left out: no clock, for "
          "the work ends by itself")
      .in_range_of("--budget");
}

void add_quiet_option(CLI::App& app, bool& quiet) {
  add_flag(app, "-q,--quiet", quiet, "no progress on standard error");
}

}  // namespace withy
