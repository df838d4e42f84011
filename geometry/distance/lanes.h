// SPDX-License-Identifier: GPL-3.0-or-later
// Eight numbers side by side: the one vocabulary that the vector loops are written in.
//
// A source written with these types is compiled twice, once for the machine at large and once for AVX2 with
// FMA, and chosen at run time (cpu_has_avx2). The two builds live in namespaces of their own, so that the
// linker can't mix them up. They differ only in rounding: AVX2 contracts multiply_add to one rounding.
#pragma once

#include <cstdint>

#if defined(__AVX2__) && defined(__FMA__)
#include <immintrin.h>
#define WITHY_LANES_NAMESPACE lanes_avx2
#else
#include <cmath>
#define WITHY_LANES_NAMESPACE lanes_portable
#endif

#define WITHY_LANES_INLINE [[gnu::always_inline]] inline

namespace withy {

inline constexpr int kLanes = 8;

namespace WITHY_LANES_NAMESPACE {

#if defined(__AVX2__) && defined(__FMA__)

struct Floats {
  __m256 v;
};
struct Ints {
  __m256i v;
};
struct Mask {
  __m256 v;
};

/// Four numbers in double precision.
struct Doubles {
  __m256d v;
};
WITHY_LANES_INLINE Doubles load(const double* from) {
  return {_mm256_loadu_pd(from)};
}
WITHY_LANES_INLINE void store(double* to, Doubles a) {
  _mm256_storeu_pd(to, a.v);
}
/// Rounded to single precision.
WITHY_LANES_INLINE void store(float* to, Doubles a) {
  _mm_storeu_ps(to, _mm256_cvtpd_ps(a.v));
}
WITHY_LANES_INLINE Doubles all(double a) {
  return {_mm256_set1_pd(a)};
}
WITHY_LANES_INLINE Doubles operator-(Doubles a, Doubles b) {
  return {_mm256_sub_pd(a.v, b.v)};
}
WITHY_LANES_INLINE Doubles operator*(Doubles a, Doubles b) {
  return {_mm256_mul_pd(a.v, b.v)};
}
WITHY_LANES_INLINE Doubles multiply_add(Doubles a, Doubles b, Doubles c) {
  return {_mm256_fmadd_pd(a.v, b.v, c.v)};
}

WITHY_LANES_INLINE Floats load(const float* from) {
  return {_mm256_loadu_ps(from)};
}
WITHY_LANES_INLINE Ints load(const std::int32_t* from) {
  return {_mm256_loadu_si256(reinterpret_cast<const __m256i*>(from))};
}
WITHY_LANES_INLINE void store(float* to, Floats a) {
  _mm256_storeu_ps(to, a.v);
}
WITHY_LANES_INLINE void store(std::int32_t* to, Ints a) {
  _mm256_storeu_si256(reinterpret_cast<__m256i*>(to), a.v);
}
WITHY_LANES_INLINE Floats all(float a) {
  return {_mm256_set1_ps(a)};
}
WITHY_LANES_INLINE Ints all(std::int32_t a) {
  return {_mm256_set1_epi32(a)};
}
WITHY_LANES_INLINE Ints counting_from(std::int32_t a) {
  return {_mm256_add_epi32(_mm256_set1_epi32(a), _mm256_setr_epi32(0, 1, 2, 3, 4, 5, 6, 7))};
}
WITHY_LANES_INLINE Floats operator+(Floats a, Floats b) {
  return {_mm256_add_ps(a.v, b.v)};
}
WITHY_LANES_INLINE Floats operator-(Floats a, Floats b) {
  return {_mm256_sub_ps(a.v, b.v)};
}
WITHY_LANES_INLINE Floats operator*(Floats a, Floats b) {
  return {_mm256_mul_ps(a.v, b.v)};
}
WITHY_LANES_INLINE Ints operator+(Ints a, Ints b) {
  return {_mm256_add_epi32(a.v, b.v)};
}
WITHY_LANES_INLINE Ints operator*(Ints a, Ints b) {
  return {_mm256_mullo_epi32(a.v, b.v)};
}
WITHY_LANES_INLINE Ints operator&(Ints a, Ints b) {
  return {_mm256_and_si256(a.v, b.v)};
}
template <int kBits>
WITHY_LANES_INLINE Ints shift_right(Ints a) {
  return {_mm256_srai_epi32(a.v, kBits)};
}
template <int kBits>
WITHY_LANES_INLINE Ints shift_left(Ints a) {
  return {_mm256_slli_epi32(a.v, kBits)};
}
/// a b + c
WITHY_LANES_INLINE Floats multiply_add(Floats a, Floats b, Floats c) {
  return {_mm256_fmadd_ps(a.v, b.v, c.v)};
}
/// c - a b
WITHY_LANES_INLINE Floats multiply_subtract_from(Floats a, Floats b, Floats c) {
  return {_mm256_fnmadd_ps(a.v, b.v, c.v)};
}
WITHY_LANES_INLINE Floats min(Floats a, Floats b) {
  return {_mm256_min_ps(a.v, b.v)};
}
WITHY_LANES_INLINE Floats max(Floats a, Floats b) {
  return {_mm256_max_ps(a.v, b.v)};
}
WITHY_LANES_INLINE Floats square_root(Floats a) {
  return {_mm256_sqrt_ps(a.v)};
}
/// |size| with the sign of `sign`; `size` is not negative.
WITHY_LANES_INLINE Floats with_sign_of(Floats size, Floats sign) {
  return {_mm256_or_ps(size.v, _mm256_and_ps(_mm256_set1_ps(-0.0F), sign.v))};
}
WITHY_LANES_INLINE Mask operator<(Floats a, Floats b) {
  return {_mm256_cmp_ps(a.v, b.v, _CMP_LT_OQ)};
}
WITHY_LANES_INLINE Mask operator<=(Floats a, Floats b) {
  return {_mm256_cmp_ps(a.v, b.v, _CMP_LE_OQ)};
}
WITHY_LANES_INLINE Mask operator&(Mask a, Mask b) {
  return {_mm256_and_ps(a.v, b.v)};
}
WITHY_LANES_INLINE bool any(Mask a) {
  return _mm256_movemask_ps(a.v) != 0;
}
WITHY_LANES_INLINE std::uint32_t bits(Mask a) {
  return static_cast<std::uint32_t>(_mm256_movemask_ps(a.v));
}
WITHY_LANES_INLINE Floats select(Mask where, Floats a, Floats otherwise) {
  return {_mm256_blendv_ps(otherwise.v, a.v, where.v)};
}
WITHY_LANES_INLINE Ints select(Mask where, Ints a, Ints otherwise) {
  return {_mm256_castps_si256(
      _mm256_blendv_ps(_mm256_castsi256_ps(otherwise.v), _mm256_castsi256_ps(a.v), where.v))};
}
/// The least of the eight, in every lane.
WITHY_LANES_INLINE Floats least(Floats a) {
  a.v = _mm256_min_ps(a.v, _mm256_permute2f128_ps(a.v, a.v, 1));
  a.v = _mm256_min_ps(a.v, _mm256_shuffle_ps(a.v, a.v, 0x4E));
  return {_mm256_min_ps(a.v, _mm256_shuffle_ps(a.v, a.v, 0xB1))};
}
/// Towards zero.
WITHY_LANES_INLINE Ints truncate(Floats a) {
  return {_mm256_cvttps_epi32(a.v)};
}
WITHY_LANES_INLINE Floats to_floats(Ints a) {
  return {_mm256_cvtepi32_ps(a.v)};
}

#else

struct Floats {
  float v[kLanes];
};
struct Ints {
  std::int32_t v[kLanes];
};
struct Mask {
  bool v[kLanes];
};

template <class T, class F>
WITHY_LANES_INLINE T each(F f) {
  T r;
  for (int i = 0; i < kLanes; ++i) r.v[i] = f(i);
  return r;
}

/// Four numbers in double precision.
struct Doubles {
  double v[4];
};
template <class F>
WITHY_LANES_INLINE Doubles each_double(F f) {
  return {{f(0), f(1), f(2), f(3)}};
}

WITHY_LANES_INLINE Floats load(const float* from) {
  return each<Floats>([&](int i) { return from[i]; });
}
WITHY_LANES_INLINE Doubles load(const double* from) {
  return each_double([&](int i) { return from[i]; });
}
WITHY_LANES_INLINE void store(double* to, const Doubles& a) {
  for (int i = 0; i < 4; ++i) to[i] = a.v[i];
}
/// Rounded to single precision.
WITHY_LANES_INLINE void store(float* to, const Doubles& a) {
  for (int i = 0; i < 4; ++i) to[i] = static_cast<float>(a.v[i]);
}
WITHY_LANES_INLINE Doubles all(double a) {
  return {{a, a, a, a}};
}
WITHY_LANES_INLINE Doubles operator-(const Doubles& a, const Doubles& b) {
  return each_double([&](int i) { return a.v[i] - b.v[i]; });
}
WITHY_LANES_INLINE Doubles operator*(const Doubles& a, const Doubles& b) {
  return each_double([&](int i) { return a.v[i] * b.v[i]; });
}
WITHY_LANES_INLINE Doubles multiply_add(const Doubles& a, const Doubles& b, const Doubles& c) {
  return each_double([&](int i) { return a.v[i] * b.v[i] + c.v[i]; });
}
WITHY_LANES_INLINE Ints load(const std::int32_t* from) {
  return each<Ints>([&](int i) { return from[i]; });
}
WITHY_LANES_INLINE void store(float* to, const Floats& a) {
  for (int i = 0; i < kLanes; ++i) to[i] = a.v[i];
}
WITHY_LANES_INLINE void store(std::int32_t* to, const Ints& a) {
  for (int i = 0; i < kLanes; ++i) to[i] = a.v[i];
}
WITHY_LANES_INLINE Floats all(float a) {
  return each<Floats>([&](int) { return a; });
}
WITHY_LANES_INLINE Ints all(std::int32_t a) {
  return each<Ints>([&](int) { return a; });
}
WITHY_LANES_INLINE Ints counting_from(std::int32_t a) {
  return each<Ints>([&](int i) { return a + i; });
}
WITHY_LANES_INLINE Floats operator+(const Floats& a, const Floats& b) {
  return each<Floats>([&](int i) { return a.v[i] + b.v[i]; });
}
WITHY_LANES_INLINE Floats operator-(const Floats& a, const Floats& b) {
  return each<Floats>([&](int i) { return a.v[i] - b.v[i]; });
}
WITHY_LANES_INLINE Floats operator*(const Floats& a, const Floats& b) {
  return each<Floats>([&](int i) { return a.v[i] * b.v[i]; });
}
WITHY_LANES_INLINE Ints operator+(const Ints& a, const Ints& b) {
  return each<Ints>([&](int i) { return a.v[i] + b.v[i]; });
}
WITHY_LANES_INLINE Ints operator*(const Ints& a, const Ints& b) {
  return each<Ints>([&](int i) { return a.v[i] * b.v[i]; });
}
WITHY_LANES_INLINE Ints operator&(const Ints& a, const Ints& b) {
  return each<Ints>([&](int i) { return a.v[i] & b.v[i]; });
}
template <int kBits>
WITHY_LANES_INLINE Ints shift_right(const Ints& a) {
  return each<Ints>([&](int i) { return a.v[i] >> kBits; });
}
template <int kBits>
WITHY_LANES_INLINE Ints shift_left(const Ints& a) {
  return each<Ints>([&](int i) { return a.v[i] << kBits; });
}
/// a b + c
WITHY_LANES_INLINE Floats multiply_add(const Floats& a, const Floats& b, const Floats& c) {
  return each<Floats>([&](int i) { return a.v[i] * b.v[i] + c.v[i]; });
}
/// c - a b
WITHY_LANES_INLINE Floats multiply_subtract_from(const Floats& a, const Floats& b, const Floats& c) {
  return each<Floats>([&](int i) { return c.v[i] - a.v[i] * b.v[i]; });
}
WITHY_LANES_INLINE Floats min(const Floats& a, const Floats& b) {
  return each<Floats>([&](int i) { return a.v[i] < b.v[i] ? a.v[i] : b.v[i]; });
}
WITHY_LANES_INLINE Floats max(const Floats& a, const Floats& b) {
  return each<Floats>([&](int i) { return a.v[i] > b.v[i] ? a.v[i] : b.v[i]; });
}
WITHY_LANES_INLINE Floats square_root(const Floats& a) {
  return each<Floats>([&](int i) { return std::sqrt(a.v[i]); });
}
/// |size| with the sign of `sign`; `size` is not negative.
WITHY_LANES_INLINE Floats with_sign_of(const Floats& size, const Floats& sign) {
  return each<Floats>([&](int i) { return std::copysign(size.v[i], sign.v[i]); });
}
WITHY_LANES_INLINE Mask operator<(const Floats& a, const Floats& b) {
  return each<Mask>([&](int i) { return a.v[i] < b.v[i]; });
}
WITHY_LANES_INLINE Mask operator<=(const Floats& a, const Floats& b) {
  return each<Mask>([&](int i) { return a.v[i] <= b.v[i]; });
}
WITHY_LANES_INLINE Mask operator&(const Mask& a, const Mask& b) {
  return each<Mask>([&](int i) { return a.v[i] && b.v[i]; });
}
WITHY_LANES_INLINE std::uint32_t bits(const Mask& a) {
  std::uint32_t r = 0;
  for (int i = 0; i < kLanes; ++i) r |= static_cast<std::uint32_t>(a.v[i]) << i;
  return r;
}
WITHY_LANES_INLINE bool any(const Mask& a) {
  return bits(a) != 0;
}
WITHY_LANES_INLINE Floats select(const Mask& where, const Floats& a, const Floats& otherwise) {
  return each<Floats>([&](int i) { return where.v[i] ? a.v[i] : otherwise.v[i]; });
}
WITHY_LANES_INLINE Ints select(const Mask& where, const Ints& a, const Ints& otherwise) {
  return each<Ints>([&](int i) { return where.v[i] ? a.v[i] : otherwise.v[i]; });
}
/// The least of the eight, in every lane.
WITHY_LANES_INLINE Floats least(const Floats& a) {
  float r = a.v[0];
  for (int i = 1; i < kLanes; ++i) r = a.v[i] < r ? a.v[i] : r;
  return all(r);
}
/// Towards zero.
WITHY_LANES_INLINE Ints truncate(const Floats& a) {
  return each<Ints>([&](int i) { return static_cast<std::int32_t>(a.v[i]); });
}
WITHY_LANES_INLINE Floats to_floats(const Ints& a) {
  return each<Floats>([&](int i) { return static_cast<float>(a.v[i]); });
}

#endif

}  // namespace WITHY_LANES_NAMESPACE

/// Can this machine run the AVX2 build? Asked once.
bool cpu_has_avx2();

}  // namespace withy
