// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/show/picture_canvas.h"

#include <array>
#include <numbers>

#include <cairo-svg.h>
#include <cairo.h>

namespace withy {
namespace {

constexpr double kHaloWidth = 3.5;

cairo_status_t append(void* bytes, const unsigned char* data, unsigned int length) {
  static_cast<std::string*>(bytes)->append(reinterpret_cast<const char*>(data), length);
  return CAIRO_STATUS_SUCCESS;
}

cairo_surface_t* make_surface(PictureFormat format, std::string& bytes) {
  if (format == PictureFormat::svg)
    return cairo_svg_surface_create_for_stream(append, &bytes, kPictureWidth, kPictureHeight);
  return cairo_image_surface_create(CAIRO_FORMAT_RGB24, static_cast<int>(kPictureWidth) * kPngPixelsPerPoint,
                                    static_cast<int>(kPictureHeight) * kPngPixelsPerPoint);
}

}  // namespace

struct PictureCanvas::Impl {
  explicit Impl(PictureFormat wanted)
      : format(wanted), surface(make_surface(wanted, bytes)), pen(cairo_create(surface)) {
    if (format == PictureFormat::png) cairo_scale(pen, kPngPixelsPerPoint, kPngPixelsPerPoint);
    cairo_set_line_join(pen, CAIRO_LINE_JOIN_ROUND);
  }
  ~Impl() {
    cairo_destroy(pen);
    cairo_surface_destroy(surface);
  }
  Impl(const Impl&) = delete;
  Impl& operator=(const Impl&) = delete;

  void set(const Tone& tone, double alpha = 1.0) const {
    cairo_set_source_rgba(pen, tone.red, tone.green, tone.blue, alpha);
  }

  void stroke(const LineStyle& style) const {
    const std::array<double, 2> dashes = {style.dash, style.dash};
    cairo_set_dash(pen, dashes.data(), style.dash > 0.0 ? 2 : 0, 0.0);
    cairo_set_line_cap(pen, style.end == LineEnd::round ? CAIRO_LINE_CAP_ROUND : CAIRO_LINE_CAP_BUTT);
    cairo_set_line_width(pen, style.width);
    set(style.tone, style.alpha);
    cairo_stroke(pen);
    cairo_set_dash(pen, nullptr, 0, 0.0);
  }

  void font(double size, bool bold) const {
    cairo_select_font_face(pen, "sans-serif", CAIRO_FONT_SLANT_NORMAL,
                           bold ? CAIRO_FONT_WEIGHT_BOLD : CAIRO_FONT_WEIGHT_NORMAL);
    cairo_set_font_size(pen, size);
  }

  PictureFormat format;
  std::string bytes;
  cairo_surface_t* surface;
  cairo_t* pen;
};

PictureCanvas::PictureCanvas(PictureFormat format) : impl_(std::make_unique<Impl>(format)) {}
PictureCanvas::~PictureCanvas() = default;

void PictureCanvas::fill_all(const Tone& tone) {
  impl_->set(tone);
  cairo_paint(impl_->pen);
}

void PictureCanvas::line(const std::vector<PicturePoint>& points, const LineStyle& style) {
  cairo_new_path(impl_->pen);
  for (const PicturePoint& p : points) cairo_line_to(impl_->pen, p.x, p.y);
  impl_->stroke(style);
}

void PictureCanvas::segments(const std::vector<PicturePoint>& pairs, const LineStyle& style) {
  for (std::size_t i = 0; i + 1 < pairs.size(); i += 2) {
    cairo_move_to(impl_->pen, pairs[i].x, pairs[i].y);
    cairo_line_to(impl_->pen, pairs[i + 1].x, pairs[i + 1].y);
  }
  impl_->stroke(style);
}

void PictureCanvas::area(const std::vector<PicturePoint>& corners, const Tone& fill, const Tone& edge,
                         double edge_width) {
  cairo_new_path(impl_->pen);
  for (const PicturePoint& p : corners) cairo_line_to(impl_->pen, p.x, p.y);
  cairo_close_path(impl_->pen);
  impl_->set(fill);
  cairo_fill_preserve(impl_->pen);
  if (edge_width > 0.0)
    impl_->stroke({.width = edge_width, .tone = edge});
  else
    cairo_new_path(impl_->pen);
}

void PictureCanvas::circle(const PicturePoint& centre, double radius, const LineStyle& style) {
  cairo_new_path(impl_->pen);
  cairo_arc(impl_->pen, centre.x, centre.y, radius, 0.0, 2.0 * std::numbers::pi);
  impl_->stroke(style);
}

void PictureCanvas::words(const PicturePoint& at, const std::string& text, double size, const Tone& tone,
                          bool bold) {
  impl_->font(size, bold);
  cairo_move_to(impl_->pen, at.x, at.y);
  cairo_text_path(impl_->pen, text.c_str());
  impl_->set({1.0, 1.0, 1.0});
  cairo_set_line_width(impl_->pen, kHaloWidth);
  cairo_stroke_preserve(impl_->pen);
  impl_->set(tone);
  cairo_fill(impl_->pen);
}

double PictureCanvas::width_of(const std::string& text, double size, bool bold) {
  impl_->font(size, bold);
  cairo_text_extents_t extents;
  cairo_text_extents(impl_->pen, text.c_str(), &extents);
  return extents.x_advance;
}

std::string PictureCanvas::finish() {
  if (impl_->format == PictureFormat::png)
    cairo_surface_write_to_png_stream(impl_->surface, append, &impl_->bytes);
  cairo_surface_finish(impl_->surface);
  return std::move(impl_->bytes);
}

}  // namespace withy
