// SPDX-License-Identifier: GPL-3.0-or-later
// How much more a build with sanitizers may take than one without. Tests whose subject is a limit of time or
// memory multiply it by these, so that they also run there; nothing else may look at them.
#pragma once

namespace withy_test {

#if defined(__SANITIZE_ADDRESS__) || defined(__SANITIZE_THREAD__)
inline constexpr bool kSanitized = true;
#elif defined(__has_feature)
#if __has_feature(address_sanitizer) || __has_feature(thread_sanitizer)
inline constexpr bool kSanitized = true;
#else
inline constexpr bool kSanitized = false;
#endif
#else
inline constexpr bool kSanitized = false;
#endif

/// Chosen: more than -O1, assertions and sanitizers cost together, and an end all the same.
inline constexpr unsigned kTimesSlower = kSanitized ? 30 : 1;
/// Red zones, shadow memory, and freed blocks that are kept for a while.
inline constexpr long kTimesMemory = kSanitized ? 4 : 1;

}  // namespace withy_test
