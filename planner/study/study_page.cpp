// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/study/study_page.h"

#include <map>

#include <fmt/core.h>

#include "planner/files/cautions.h"
#include "planner/files/markup.h"
#include "planner/files/words.h"
#include "planner/study/results.h"

namespace withy {
namespace {

using Json = nlohmann::ordered_json;

constexpr const char* kStyle = R"(
body { font: 15px/1.45 system-ui, sans-serif; color: #1d2530; background: #fff; margin: 1.5em auto; max-width: 70em; padding: 0 1em; }
h1 { font-size: 1.35rem; } h2 { font-size: 1.05rem; margin-top: 1.6em; }
.caution { border-left: 4px solid #1d2530; padding-left: .8em; }
table { border-collapse: collapse; } caption { text-align: left; padding-bottom: .4em; color: #5b6672; }
th, td { border: 1px solid #d9d5cb; padding: .35em .6em; text-align: left; vertical-align: top; }
td.number { text-align: right; font-variant-numeric: tabular-nums; }
small { color: #5b6672; display: block; } svg { display: block; margin-bottom: .2em; }
@media print { body { max-width: none; } }
)";

// A bar's parts, in order: the word, the sign, and the fill that tells it from its neighbours in grey too.
struct Part {
  const char* word;
  const char* sign;
  const char* fill;
  int StudyGroup::*count;
};
constexpr Part kParts[] = {{"reached", "●", "#1c6b48", &StudyGroup::reached},
                           {"unreachable, proved", "✕", "url(#crossed)", &StudyGroup::unreachable},
                           {"undecided", "?", "#d8d4ca", &StudyGroup::undecided},
                           {"refused", "–", "#ffffff", &StudyGroup::refused}};

constexpr double kBarWidth_px = 120.0;

/// The patterns that the bars use; once in the page.
constexpr const char* kPatterns =
    "<svg width=\"0\" height=\"0\" aria-hidden=\"true\"><defs><pattern id=\"crossed\" width=\"5\" "
    "height=\"5\" "
    "patternUnits=\"userSpaceOnUse\"><rect width=\"5\" height=\"5\" fill=\"#ffffff\"/><path d=\"M0 0L5 5M5 "
    "0L0 5\" "
    "stroke=\"#a3212e\" stroke-width=\"1\"/></pattern></defs></svg>\n";

std::string bar(const StudyGroup& group) {
  std::string out = fmt::format(
      "<svg width=\"{0}\" height=\"10\" viewBox=\"0 0 {0} 10\" aria-hidden=\"true\">", kBarWidth_px);
  double x = 0.0;
  for (const Part& part : kParts) {
    const double width = kBarWidth_px * (group.*part.count) / group.runs;
    if (width <= 0.0) continue;
    out += fmt::format(
        "<rect x=\"{:.2f}\" width=\"{:.2f}\" height=\"10\" fill=\"{}\" stroke=\"#1d2530\" "
        "stroke-width=\".5\"/>",
        x, width, part.fill);
    x += width;
  }
  return out + "</svg>";
}

/// Half of the values lie at or below it: the lower of the middle two where they are even in number.
double median(const std::vector<double>& ascending) {
  return ascending[(ascending.size() - 1) / 2];
}

std::string cell(const StudyGroup& group) {
  std::string out = "<td>" + bar(group);
  for (const Part& part : kParts) {
    const int count = group.*part.count;
    if (count == 0) continue;
    out += fmt::format("{} {}{}<br>", part.sign, part.word,
                       group.runs == 1 ? "" : fmt::format(" {} of {}", count, group.runs));
  }
  const auto& clearance = group.clearance_mm;
  if (clearance.size() == 1) out += fmt::format("<small>clearance {:.2f} mm</small>", clearance.front());
  if (clearance.size() > 1)
    out += fmt::format("<small>clearance {:.2f} to {:.2f}, median {:.2f} mm</small>", clearance.front(),
                       clearance.back(), median(clearance));
  return out + "</td>";
}

std::string grid(const Json& header, const std::vector<StudyGroup>& groups) {
  std::string out = "<table>\n<caption>Verdicts by lock count.</caption>\n<tr><th>scene</th><th>design</th>";
  for (const int locks : header["locks"])
    out += fmt::format("<th>{}</th>", count_of(static_cast<std::size_t>(locks), "lock"));
  out += "</tr>\n";
  const std::size_t columns = header["locks"].size();
  for (std::size_t i = 0; i < groups.size(); ++i) {
    if (i % columns == 0)
      out += fmt::format("<tr><th>{}</th><th>{}</th>", escaped_for_markup(groups[i].scene),
                         escaped_for_markup(groups[i].design));
    out += cell(groups[i]);
    if (i % columns == columns - 1) out += "</tr>\n";
  }
  return out + "</table>\n";
}

std::string totals(const Json& header, const std::vector<StudyGroup>& groups) {
  std::string out =
      "<table>\n<caption>All scenes and designs together.</caption>\n<tr><th>locks</th><th>runs</th>";
  for (const Part& part : kParts) out += fmt::format("<th>{} {}</th>", part.sign, part.word);
  out += "</tr>\n";
  for (const int locks : header["locks"]) {
    StudyGroup sum;
    for (const StudyGroup& group : groups) {
      if (group.locks != locks) continue;
      sum.runs += group.runs;
      for (const Part& part : kParts) sum.*part.count += group.*part.count;
    }
    out += fmt::format("<tr><td class=\"number\">{}</td><td class=\"number\">{}</td>", locks, sum.runs);
    for (const Part& part : kParts)
      out += fmt::format("<td class=\"number\">{} ({:.0f} %)</td>", sum.*part.count,
                         100.0 * (sum.*part.count) / sum.runs);
    out += "</tr>\n";
  }
  return out + "</table>\n";
}

std::string how(const Json& header) {
  std::string out = fmt::format(
      "<p>{}: {}, {}, {} and {}; each run was allowed {} million units of work, which no "
      "clock and no other run has a part in.",
      count_of(header["runs"].get<std::size_t>(), "run"), count_of(header["scenes"].size(), "scene"),
      count_of(header["designs"].size(), "design"), count_of(header["locks"].size(), "lock count"),
      count_of(header["seeds"].size(), "seed"), header["budget_work_s"].dump());
  if (!header["scattered"].empty()) {
    out += " Each seed scatters";
    const char* comma = " ";
    for (const auto& [key, width] : header["scattered"].items()) {
      out += fmt::format("{}{} by up to {}", comma, escaped_for_markup(key), width.dump());
      comma = ", ";
    }
    out += ".";
  }
  return out + " Figures of every run are in results.csv and results.jsonl.</p>\n";
}

std::string cautions() {
  std::string out = "<p class=\"caution\">";
  for (const std::string_view caution : kCautions) out += escaped_for_markup(caution) + " ";
  return out + "</p>\n";
}

}  // namespace

std::string study_page(const StudyResults& results) {
  const Json& header = results.header;
  const auto groups = study_groups(results);
  const std::string title = escaped_for_markup(header["title"].get<std::string>());
  return "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n<meta "
         "http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src "
         "'unsafe-inline'\">\n<title>" +
         title + "</title>\n<style>" + kStyle + "</style>\n</head>\n<body>\n" + kPatterns + "<h1>" + title +
         "</h1>\n" + cautions() + how(header) + "<h2>Scenes and designs</h2>\n" + grid(header, groups) +
         "<h2>Totals</h2>\n" + totals(header, groups) +
         fmt::format("<p><small>withy {}, study {}</small></p>\n</body>\n</html>\n",
                     escaped_for_markup(header["withy"].get<std::string>()),
                     escaped_for_markup(header["study_sha256"].get<std::string>()));
}

}  // namespace withy
