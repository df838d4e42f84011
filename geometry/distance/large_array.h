// SPDX-License-Identifier: GPL-3.0-or-later
// An array of plain numbers that is read all over at random: on large pages where the system has them, so
// that a look-up seldom misses the address cache.
#pragma once

#include <cstddef>
#include <cstdlib>
#include <memory>
#include <new>

#if defined(__linux__)
#include <sys/mman.h>
#endif

namespace withy {

/// Fixed size, values not set. Movable, not copyable.
template <class T>
class LargeArray {
 public:
  LargeArray() = default;
  explicit LargeArray(std::size_t size) : size_(size) {
    const std::size_t bytes = (size * sizeof(T) + kPage - 1) / kPage * kPage;
    if (bytes == 0) return;
    data_.reset(static_cast<T*>(std::aligned_alloc(kPage, bytes)));
    if (!data_) throw std::bad_alloc();
#if defined(__linux__)
    // A wish: without it, or where it is refused, ordinary pages do.
    (void)madvise(data_.get(), bytes, MADV_HUGEPAGE);
#endif
  }

  T* data() {
    return data_.get();
  }
  const T* data() const {
    return data_.get();
  }
  std::size_t size() const {
    return size_;
  }
  T& operator[](std::size_t i) {
    return data_.get()[i];
  }
  const T& operator[](std::size_t i) const {
    return data_.get()[i];
  }

 private:
  static constexpr std::size_t kPage = std::size_t{1} << 21U;
  struct Free {
    void operator()(T* p) const { std::free(p); }
  };
  std::unique_ptr<T, Free> data_;
  std::size_t size_ = 0;
};

}  // namespace withy
