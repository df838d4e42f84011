// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/study/build_id.h"

#include <cstddef>
#include <cstring>

#include <elf.h>
#include <fmt/format.h>
#include <link.h>

#include "planner/files/input_file.h"
#include "planner/files/sha256.h"

namespace withy {
namespace {

constexpr std::size_t kNoteAlignment = 4;  // of names and descriptions (System V ABI, "Note Section")

std::size_t padded(std::size_t size) {
  return (size + kNoteAlignment - 1) / kNoteAlignment * kNoteAlignment;
}

/// The id among the notes of one segment; empty without one.
std::string id_in(const char* notes, std::size_t size) {
  std::size_t at = 0;
  while (at + sizeof(ElfW(Nhdr)) <= size) {
    ElfW(Nhdr) note;
    std::memcpy(&note, notes + at, sizeof note);
    const std::size_t name = at + sizeof note;
    const std::size_t description = name + padded(note.n_namesz);
    if (note.n_type == NT_GNU_BUILD_ID && note.n_namesz == 4 && std::memcmp(notes + name, "GNU", 4) == 0) {
      std::string id;
      for (std::size_t i = 0; i < note.n_descsz; ++i)
        id += fmt::format("{:02x}", static_cast<unsigned char>(notes[description + i]));
      return id;
    }
    at = description + padded(note.n_descsz);
  }
  return "";
}

/// Of the first object, which is the program itself.
int look_into_program(dl_phdr_info* info, std::size_t, void* found) {
  for (int i = 0; i < info->dlpi_phnum; ++i) {
    const ElfW(Phdr)& header = info->dlpi_phdr[i];
    if (header.p_type != PT_NOTE) continue;
    // NOLINTNEXTLINE(performance-no-int-to-ptr): the loader gives addresses as numbers
    const auto* notes = reinterpret_cast<const char*>(info->dlpi_addr + header.p_vaddr);
    const std::string id = id_in(notes, header.p_memsz);
    if (!id.empty()) *static_cast<std::string*>(found) = id;
  }
  return 1;
}

}  // namespace

std::string build_id() {
  std::string id;
  ::dl_iterate_phdr(look_into_program, &id);
  if (!id.empty()) return id;
  const auto program = read_input("/proc/self/exe", kLargestMesh);
  return program ? sha256(*program) : "unknown";
}

}  // namespace withy
