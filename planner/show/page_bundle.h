// SPDX-License-Identifier: GPL-3.0-or-later
// The page's frame, script and style, bundled from tools/page when the program is built.
//
// Defined in a source file that the build writes (tools/page/bundle.cmake). Where npm or its registry could
// not be reached, the bundle is empty and kPageBundleFault says so.
#pragma once

#include <string_view>

namespace withy {

/// The page of plans: HTML, whole but for its title and data, which go where kPageTitleMark and kPageDataMark
/// stand.
extern const std::string_view kPageBundle;

/// The page of `withy live`, whole but for its title.
extern const std::string_view kLiveBundle;

/// What kept the page from being bundled; empty when nothing did.
extern const std::string_view kPageBundleFault;

inline constexpr std::string_view kPageTitleMark = "%TITLE%";
inline constexpr std::string_view kPageDataMark = "%DATA%";

}  // namespace withy
