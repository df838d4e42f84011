// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/sheet/drawing_pen.h"

#include <array>
#include <cmath>
#include <numbers>

#include <cairo-pdf.h>
#include <cairo-svg.h>
#include <cairo.h>

namespace withy {
namespace {

constexpr double kPointsPerMm = 72.0 / 25.4;
constexpr double kHead_mm = 2.2;
constexpr double kHeadHalf_mm = 0.6;
constexpr std::array<double, 2> kDashed = {1.6, 1.0};
constexpr std::array<double, 4> kCentre = {6.0, 1.0, 0.6, 1.0};

cairo_status_t append(void* bytes, const unsigned char* data, unsigned int length) {
  static_cast<std::string*>(bytes)->append(reinterpret_cast<const char*>(data), length);
  return CAIRO_STATUS_SUCCESS;
}

cairo_surface_t* make_surface(DrawingFormat format, const std::string& title, std::string& bytes) {
  if (format == DrawingFormat::svg) {
    cairo_surface_t* svg =
        cairo_svg_surface_create_for_stream(append, &bytes, kPaperWidth_mm, kPaperHeight_mm);
    cairo_svg_surface_set_document_unit(svg, CAIRO_SVG_UNIT_MM);
    return svg;
  }
  cairo_surface_t* pdf = cairo_pdf_surface_create_for_stream(append, &bytes, kPaperWidth_mm * kPointsPerMm,
                                                             kPaperHeight_mm * kPointsPerMm);
  cairo_pdf_surface_set_metadata(pdf, CAIRO_PDF_METADATA_TITLE, title.c_str());
  return pdf;
}

}  // namespace

struct DrawingPen::Impl {
  Impl(DrawingFormat format, const std::string& title)
      : surface(make_surface(format, title, bytes)), pen(cairo_create(surface)) {
    if (format == DrawingFormat::pdf) cairo_scale(pen, kPointsPerMm, kPointsPerMm);
    grey(1.0);
    cairo_paint(pen);
  }
  ~Impl() {
    cairo_destroy(pen);
    cairo_surface_destroy(surface);
  }
  Impl(const Impl&) = delete;
  Impl& operator=(const Impl&) = delete;

  void grey(double level) const { cairo_set_source_rgb(pen, level, level, level); }

  void stroke(const Ink& ink) const {
    const auto dash = [this](const auto& lengths) {
      cairo_set_dash(pen, lengths.data(), static_cast<int>(lengths.size()), 0.0);
    };
    if (ink.dash == Dash::dashed) dash(kDashed);
    if (ink.dash == Dash::centre) dash(kCentre);
    cairo_set_line_width(pen, ink.width_mm);
    grey(ink.grey);
    cairo_stroke(pen);
    cairo_set_dash(pen, nullptr, 0, 0.0);
  }

  void fill_and_edge(const Ink& edge, double fill_grey) const {
    grey(fill_grey);
    cairo_fill_preserve(pen);
    stroke(edge);
  }

  void font(const Lettering& lettering) const {
    cairo_select_font_face(pen, "sans-serif", CAIRO_FONT_SLANT_NORMAL,
                           lettering.bold ? CAIRO_FONT_WEIGHT_BOLD : CAIRO_FONT_WEIGHT_NORMAL);
    cairo_set_font_size(pen, lettering.size_mm);
  }

  std::string bytes;
  cairo_surface_t* surface;
  cairo_t* pen;
};

DrawingPen::DrawingPen(DrawingFormat format, const std::string& title)
    : impl_(std::make_unique<Impl>(format, title)) {}
DrawingPen::~DrawingPen() = default;

void DrawingPen::line(const std::vector<PaperPoint>& points, const Ink& ink) {
  cairo_new_path(impl_->pen);
  for (const PaperPoint& p : points) cairo_line_to(impl_->pen, p.x, p.y);
  impl_->stroke(ink);
}

void DrawingPen::rectangle(const PaperPoint& corner, double width, double height, const Ink& edge,
                           double fill_grey) {
  cairo_new_path(impl_->pen);
  cairo_rectangle(impl_->pen, corner.x, corner.y, width, height);
  impl_->fill_and_edge(edge, fill_grey);
}

void DrawingPen::circle(const PaperPoint& centre, double radius, const Ink& edge, double fill_grey) {
  cairo_new_path(impl_->pen);
  cairo_arc(impl_->pen, centre.x, centre.y, radius, 0.0, 2.0 * std::numbers::pi);
  impl_->fill_and_edge(edge, fill_grey);
}

void DrawingPen::arrow(const PaperPoint& from, const PaperPoint& to, const Ink& ink) {
  const double length = std::hypot(to.x - from.x, to.y - from.y);
  if (length <= 0.0) return;
  const double ex = (to.x - from.x) / length, ey = (to.y - from.y) / length;
  const PaperPoint neck = {to.x - kHead_mm * ex, to.y - kHead_mm * ey};
  line({from, neck}, ink);
  cairo_new_path(impl_->pen);
  cairo_move_to(impl_->pen, to.x, to.y);
  cairo_line_to(impl_->pen, neck.x - kHeadHalf_mm * ey, neck.y + kHeadHalf_mm * ex);
  cairo_line_to(impl_->pen, neck.x + kHeadHalf_mm * ey, neck.y - kHeadHalf_mm * ex);
  cairo_close_path(impl_->pen);
  impl_->grey(ink.grey);
  cairo_fill(impl_->pen);
}

void DrawingPen::words(const PaperPoint& at, const std::string& text, const Lettering& lettering) {
  const double width = width_of(text, lettering);
  const double back = lettering.anchor == Anchor::left     ? 0.0
                      : lettering.anchor == Anchor::middle ? width / 2.0
                                                           : width;
  cairo_save(impl_->pen);
  cairo_translate(impl_->pen, at.x, at.y);
  if (lettering.upright) cairo_rotate(impl_->pen, -std::numbers::pi / 2.0);
  cairo_move_to(impl_->pen, -back, 0.0);
  impl_->grey(0.0);
  cairo_show_text(impl_->pen, text.c_str());
  cairo_restore(impl_->pen);
}

double DrawingPen::width_of(const std::string& text, const Lettering& lettering) const {
  impl_->font(lettering);
  cairo_text_extents_t extents;
  cairo_text_extents(impl_->pen, text.c_str(), &extents);
  return extents.x_advance;
}

std::string DrawingPen::finish() {
  cairo_surface_finish(impl_->surface);
  return std::move(impl_->bytes);
}

}  // namespace withy
