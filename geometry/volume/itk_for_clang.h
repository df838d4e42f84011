// SPDX-License-Identifier: GPL-3.0-or-later
// Included before all else where clang compiles what includes ITK (CMakeLists.txt): Debian's ITK 5.2 was made
// with gcc, and its headers refuse any other compiler, though clang takes them.
#pragma once

#pragma push_macro("__clang__")
#pragma push_macro("__GNUC__")
#pragma push_macro("__GNUC_MINOR__")
#undef __clang__
#undef __GNUC__
#undef __GNUC_MINOR__
#define __GNUC__ 12
#define __GNUC_MINOR__ 2
#include <itk_compiler_detection.h>
#pragma pop_macro("__GNUC_MINOR__")
#pragma pop_macro("__GNUC__")
#pragma pop_macro("__clang__")
