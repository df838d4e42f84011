// SPDX-License-Identifier: GPL-3.0-or-later
// What SIGINT does: the program leaves at once with status 130, and never while it is putting files in their
// place.
//
// Nothing a command computes is worth keeping half-done, so there is no flag to poll: outside a WritingFiles
// scope the process ends inside the signal handler; inside one, at the scope's end.
#pragma once

namespace withy {

/// Installs the handler. Call it once, first thing in main().
void stop_on_interrupt();

/// Hold one of these around every commit of files (FileBatch::commit, write_mesh, ...).
class WritingFiles {
 public:
  WritingFiles();
  ~WritingFiles();
  WritingFiles(const WritingFiles&) = delete;
  WritingFiles& operator=(const WritingFiles&) = delete;
};

}  // namespace withy
