#pragma once
namespace withy::shares {
inline constexpr double kLooksShareOfTimeLeft = 0.95;
inline constexpr double kFirstLookShareOfTimeLeft = 0.75;
inline constexpr double kLargerChannelSeconds = 5.0;
}
