// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/study/study_page.h"

#include <algorithm>
#include <utility>
#include <vector>

#include <fmt/core.h>

#include "planner/files/markup.h"
#include "planner/files/words.h"
#include "planner/study/results.h"

namespace withy {
namespace {

using Json = nlohmann::ordered_json;

constexpr const char* kStyle = R"(
td.of { border-left: 1px solid var(--edge); min-width: 150px; } td small, th small { display: block; font-weight: 400; }
svg { display: block; margin-bottom: 2px; } h3:target { background: var(--marked); } ul { margin: 0; padding-left: 1.2em; }
)";

// A bar's parts, in order: the word, the sign, and the fill that tells it from its neighbours in grey too.
struct Part {
  const char* word;
  const char* sign;
  const char* fill;
  int StudyGroup::*count;
};
constexpr Part kParts[] = {
    {"reached", kReachedSign, "#1c6b48", &StudyGroup::reached},
    {"unreachable, proved", kUnreachableSign, "url(#crossed)", &StudyGroup::unreachable},
    {"undecided", kUndecidedSign, "#d8d4ca", &StudyGroup::undecided},
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

/// The cell of group `number`, which leads to its reasons.
std::string cell(const StudyGroup& group, std::size_t number) {
  std::string out = "<td class=\"of\">" + bar(group);
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
  return out + fmt::format("<a href=\"#why-{0}\" aria-label=\"why, {1}\">why</a></td>", number + 1,
                           count_of(static_cast<std::size_t>(group.locks), "lock"));
}

/// The scene's title; its path in the journals of before there were titles.
std::string title_of(const Json& header, const std::string& scene) {
  const auto titles = header.find("scene_titles");
  if (titles == header.end()) return scene;
  for (std::size_t i = 0; i < header["scenes"].size(); ++i)
    if (header["scenes"][i] == scene) return (*titles)[i].get<std::string>();
  return scene;
}

std::string scene_head(const Json& header, const std::string& scene) {
  const std::string title = title_of(header, scene);
  const std::string path = title == scene ? "" : fmt::format("<small>{}</small>", escaped_for_markup(scene));
  return escaped_for_markup(title) + path;
}

/// At most so many reasons of one cell stand on the page: each seed may have its own.
constexpr std::size_t kMostWhys = 5;

/// What the runs of one cell say, the most frequent first.
std::string whys(const StudyGroup& group) {
  std::vector<std::pair<int, std::string>> all;
  for (const auto& [why, count] : group.whys)
    all.emplace_back(count, fmt::format("{}: {}", why.first, escaped_for_markup(why.second)));
  std::stable_sort(all.begin(), all.end(), [](const auto& a, const auto& b) { return a.first > b.first; });
  std::string out = "<ul>\n";
  for (std::size_t i = 0; i < all.size() && i < kMostWhys; ++i)
    out += fmt::format("<li>{}{}</li>\n",
                       group.runs == 1 ? "" : fmt::format("{} of {}, ", all[i].first, group.runs),
                       all[i].second);
  if (all.size() > kMostWhys) out += fmt::format("<li>{} more in results.csv</li>\n", all.size() - kMostWhys);
  return out + "</ul>\n";
}

std::string reasons(const Json& header, const std::vector<StudyGroup>& groups) {
  std::string out = "<h2>Why</h2>\n";
  for (std::size_t i = 0; i < groups.size(); ++i)
    out += fmt::format("<h3 id=\"why-{}\">{}, {}, {}</h3>\n", i + 1,
                       escaped_for_markup(title_of(header, groups[i].scene)),
                       escaped_for_markup(groups[i].design),
                       count_of(static_cast<std::size_t>(groups[i].locks), "lock")) +
           whys(groups[i]);
  return out;
}

std::string grid(const Json& header, const std::vector<StudyGroup>& groups) {
  std::string out =
      "<div class=\"scroll\"><table>\n<caption>Verdicts by lock "
      "count.</caption>\n<thead><tr><th>scene</th><th>design</th>";
  for (const int locks : header["locks"])
    out += fmt::format("<th>{}</th>", count_of(static_cast<std::size_t>(locks), "lock"));
  out += "</tr></thead>\n";
  const std::size_t columns = header["locks"].size();
  for (std::size_t i = 0; i < groups.size(); ++i) {
    if (i % columns == 0)
      out += fmt::format("<tr><th>{}</th><th>{}</th>", scene_head(header, groups[i].scene),
                         escaped_for_markup(groups[i].design));
    out += cell(groups[i], i);
    if (i % columns == columns - 1) out += "</tr>\n";
  }
  return out + "</table></div>\n";
}

std::string totals(const Json& header, const std::vector<StudyGroup>& groups) {
  std::string out =
      "<table>\n<caption>All scenes and designs together.</caption>\n<thead><tr><th "
      "class=\"n\">locks</th><th class=\"n\">runs</th>";
  for (const Part& part : kParts) out += fmt::format("<th class=\"n\">{} {}</th>", part.sign, part.word);
  out += "</tr></thead>\n";
  for (const int locks : header["locks"]) {
    StudyGroup sum;
    for (const StudyGroup& group : groups) {
      if (group.locks != locks) continue;
      sum.runs += group.runs;
      for (const Part& part : kParts) sum.*part.count += group.*part.count;
    }
    out += fmt::format("<tr><td class=\"n\">{}</td><td class=\"n\">{}</td>", locks, sum.runs);
    for (const Part& part : kParts)
      out += fmt::format("<td class=\"n\">{} ({:.0f} %)</td>", sum.*part.count,
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
  return out +
         " Figures of every run are in <a href=\"results.csv\">results.csv</a> and <a "
         "href=\"results.jsonl\">results.jsonl</a>.</p>\n";
}

}  // namespace

std::string study_page(const StudyResults& results) {
  const Json& header = results.header;
  const auto groups = study_groups(results);
  return plain_page(header["title"].get<std::string>(), kStyle,
                    kPatterns + how(header) + "<h2>Scenes and designs</h2>\n" + grid(header, groups) +
                        "<h2>Totals</h2>\n" + totals(header, groups) + reasons(header, groups) +
                        fmt::format("<p><small>withy {}, study {}</small></p>\n",
                                    escaped_for_markup(header["withy"].get<std::string>()),
                                    escaped_for_markup(header["study_sha256"].get<std::string>())));
}

}  // namespace withy
