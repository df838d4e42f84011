// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/proof/layouts/all_layouts.h"

#include <algorithm>
#include <optional>

#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include "planner/proof/interval/interval.h"

namespace withy::recheck {
namespace {

using Json = nlohmann::json;

constexpr std::size_t kMostBoxes = 1000000;

/// Least and greatest of each station.
struct Stations {
  std::vector<double> low, high;
};

/// The first layout in it, each station as near to the base as it goes; nothing where there is none.
std::optional<std::vector<double>> layout_in(const Stations& cell, double lock_mm) {
  std::vector<double> layout;
  for (std::size_t i = 0; i < cell.low.size(); ++i) {
    const double low = i == 0 ? cell.low[i] : std::max(cell.low[i], next_down(layout.back() + lock_mm));
    if (low > cell.high[i]) return std::nullopt;
    layout.push_back(low);
  }
  return layout;
}

bool overlaps(const Stations& cell, const ProvedLayout& box) {
  for (std::size_t i = 0; i < cell.low.size(); ++i)
    if (next_down(box.station_mm[i] + box.within_mm) <= cell.low[i] ||
        next_up(box.station_mm[i] - box.within_mm) >= cell.high[i])
      return false;
  return true;
}

class Carver {
 public:
  Carver(const LayoutProofs& proofs, double lock_mm) : proofs_(proofs), lock_mm_(lock_mm) {}

  /// A layout of the cell in no box; empty: every layout of it is in one.
  std::vector<double> uncovered(Stations all) {
    open_.push_back({std::move(all), 0});
    while (!open_.empty()) {
      Piece piece = std::move(open_.back());
      open_.pop_back();
      const auto layout = layout_in(piece.cell, lock_mm_);
      if (layout && !carve(piece)) return *layout;
    }
    return {};
  }

 private:
  /// A part of the cell that no box before `next` meets.
  struct Piece {
    Stations cell;
    std::size_t next;
  };

  /// Takes the next box that meets the piece out of it, and leaves what is beside it open; false where none
  /// meets it. Pieces wait in a list of their own: a file may hold more boxes than calls can be nested.
  bool carve(Piece& piece) {
    auto& [cell, next] = piece;
    while (next < proofs_.boxes.size() && !overlaps(cell, *proofs_.boxes[next].header.layout)) ++next;
    if (next == proofs_.boxes.size()) return false;
    const ProvedLayout& box = *proofs_.boxes[next].header.layout;
    for (std::size_t i = 0; i < cell.low.size(); ++i) {
      const double from = next_up(box.station_mm[i] - box.within_mm);
      const double to = next_down(box.station_mm[i] + box.within_mm);
      if (cell.low[i] < from) open_.push_back({side(cell, i, cell.low[i], from), next + 1});
      if (cell.high[i] > to) open_.push_back({side(cell, i, to, cell.high[i]), next + 1});
      cell.low[i] = std::max(cell.low[i], from);
      cell.high[i] = std::min(cell.high[i], to);
    }
    return true;
  }

  static Stations side(Stations cell, std::size_t i, double low, double high) {
    cell.low[i] = low;
    cell.high[i] = high;
    return cell;
  }

  const LayoutProofs& proofs_;
  double lock_mm_;
  std::vector<Piece> open_;
};

std::string words(const std::vector<double>& stations) {
  std::string text;
  for (const double s : stations) text += fmt::format("{}{:.6g}", text.empty() ? "" : ", ", s);
  return text;
}

}  // namespace

bool are_layout_proofs(const std::string& text) {
  const Json first =
      Json::parse(text.substr(0, std::min<std::size_t>(text.find('\n'), 1000)), nullptr, false);
  return first.is_object() && first.value("format", Json()) == "withy-layout-proofs";
}

std::string layout_proofs_header(int locks, std::size_t boxes) {
  return nlohmann::ordered_json{
             {"format", "withy-layout-proofs"}, {"version", 1}, {"locks", locks}, {"boxes", boxes}}
             .dump() +
         "\n";
}

Result<LayoutProofs> read_layout_proofs(const std::string& text, const std::string& file) {
  const auto wrong = [&](int line, const std::string& what, int column = 1) {
    return input_error(file, line, column, what, "proofs as withy compare --anywhere --proof writes them");
  };
  std::size_t at = std::min(text.find('\n'), text.size());
  std::size_t keys = 0;  // one that stands twice counts twice
  const auto count = [&](int, Json::parse_event_t event, const Json&) {
    keys += event == Json::parse_event_t::key ? 1 : 0;
    return true;
  };
  const Json first = Json::parse(text.substr(0, at), count, false);
  if (!first.is_object() || !first.contains("locks") || !first["locks"].is_number_unsigned() ||
      !first.contains("boxes") || !first["boxes"].is_number_unsigned() ||
      first.value("version", Json()) != 1 || first.size() != 4 || keys != 4)
    return wrong(1, "this is no header of proofs of layouts");
  LayoutProofs proofs;
  const auto locks = first["locks"].get<std::uint64_t>();
  const auto boxes = first["boxes"].get<std::uint64_t>();
  if (locks < 1 || locks > static_cast<std::uint64_t>(kMaxLocks) || boxes > kMostBoxes)
    return wrong(1, "the header's numbers are out of range");
  proofs.locks = static_cast<int>(locks);
  static const std::string kStart = "{\"format\":\"withy-proof\"";
  int line = 2;
  for (++at; at < text.size();) {
    std::size_t end = text.find("\n" + kStart, at);
    end = end == std::string::npos ? text.size() : end + 1;
    const std::string part = text.substr(at, end - at);
    auto certificate = read_certificate(part, file);
    if (!certificate)
      return wrong(
          line + certificate.error().line - 1,
          fmt::format("the certificate from line {} on can't be read: {}", line, certificate.error().problem),
          certificate.error().column);
    proofs.boxes.push_back(std::move(*certificate));
    line += static_cast<int>(std::count(part.begin(), part.end(), '\n'));
    at = end;
  }
  if (proofs.boxes.size() != boxes)
    return wrong(1,
                 fmt::format("the header promises {} boxes, the file holds {}", boxes, proofs.boxes.size()));
  for (const Certificate& box : proofs.boxes)
    if (box.header.locks != proofs.locks || !box.header.layout || !(box.header.layout->within_mm > 0.0))
      return wrong(1, "a certificate in it is not of a box of stations of so many locks");
  return proofs;
}

std::vector<double> uncovered_layout(const LayoutProofs& proofs, const Scene& scene) {
  const double w = scene.parts.lock ? scene.parts.lock->body_length_mm : 0.0;
  const double last = next_up(scene.parts.segment.length_mm - scene.parts.segment.tip_rigid_mm);
  Stations all;
  for (int i = 0; i < proofs.locks; ++i) {
    all.low.push_back(next_down((i + 0.5) * w));
    all.high.push_back(next_up(last - next_down((proofs.locks - i - 0.5) * w)));
  }
  return Carver(proofs, w).uncovered(std::move(all));
}

ProofReport check_layout_proofs(const LayoutProofs& proofs, const Scene& scene, const WallDistance& distance,
                                const CheckSettings& settings) {
  ProofReport report;
  if (const std::vector<double> left = uncovered_layout(proofs, scene); !left.empty()) {
    report.outcome = {Verdict::does_not_hold,
                      fmt::format("no box holds the layout with stations {} mm", words(left))};
    return report;
  }
  report.outcome = {Verdict::holds, ""};
  CheckSettings quiet = settings;
  quiet.progress = [](const std::string&, double) {};
  for (std::size_t i = 0; i < proofs.boxes.size(); ++i) {
    settings.progress("boxes of stations", static_cast<double>(i) / static_cast<double>(proofs.boxes.size()));
    ProofReport box = check_proof(proofs.boxes[i], scene, distance, quiet);
    report.looks += box.looks;
    if (box.outcome.verdict == Verdict::holds) continue;
    report.outcome = {box.outcome.verdict,
                      fmt::format("box {} of {}, stations {} mm: {}", i + 1, proofs.boxes.size(),
                                  words(proofs.boxes[i].header.layout->station_mm), box.outcome.why)};
    if (box.outcome.verdict == Verdict::does_not_hold || settings.stop()) return report;
  }
  return report;
}

}  // namespace withy::recheck
