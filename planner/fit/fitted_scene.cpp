// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/fit/fitted_scene.h"

#include <algorithm>
#include <map>
#include <sstream>
#include <string_view>

#include <fmt/core.h>
#include <toml++/toml.h>

#include "planner/files/toml_reader.h"

namespace withy {
namespace {

/// Where a line and column (counted in characters from 1, as the TOML reader does) stand in UTF-8 text.
std::size_t offset_of(std::string_view text, const toml::source_position& at) {
  std::size_t offset = 0;
  for (toml::source_index line = 1; line < at.line; ++line) offset = text.find('\n', offset) + 1;
  for (toml::source_index column = 1; column < at.column; ++column) {
    ++offset;
    while (offset < text.size() && (static_cast<unsigned char>(text[offset]) & 0xC0U) == 0x80U) ++offset;
  }
  return offset;
}

/// A stretch of the text and what is to stand there.
struct Change {
  std::size_t from;
  std::size_t to;
  std::string text;
};

class Editor {
 public:
  Editor(const std::string& text, const toml::table& document) : text_(text), document_(document) {}

  /// Puts `value` in place of what stands at a dotted key, which must be there.
  void set(const std::string& key, const std::string& value) {
    const toml::source_region& source = document_.at_path(key).node()->source();
    changes_.push_back({offset_of(text_, source.begin), offset_of(text_, source.end), value});
  }

  std::string edited() {
    std::sort(changes_.begin(), changes_.end(),
              [](const Change& a, const Change& b) { return a.from > b.from; });
    std::string out = text_;
    for (const Change& change : changes_) out.replace(change.from, change.to - change.from, change.text);
    return out;
  }

 private:
  const std::string& text_;
  const toml::table& document_;
  std::vector<Change> changes_;
};

std::string triple(const Eigen::Vector3d& v) {
  return fmt::format("[{:.9g}, {:.9g}, {:.9g}]", v.x() + 0.0, v.y() + 0.0, v.z() + 0.0);
}

/// A TOML string of any text.
std::string quoted(const std::string& text) {
  std::ostringstream out;
  out << toml::value<std::string>(text);
  return out.str();
}

const FittedParameter& named(const Fit& fit, std::string_view name) {
  return *std::find_if(fit.parameters.begin(), fit.parameters.end(),
                       [&](const FittedParameter& p) { return p.name == name; });
}

std::string head_comment(const Fit& fit) {
  std::string out = "# Fitted to bench measurements; one standard deviation behind each value.\n";
  for (const FittedParameter& p : fit.parameters)
    out += p.determined ? fmt::format("#   {} = {:.6g} (+- {:.2g})\n", p.name, p.value, p.deviation)
                        : fmt::format("#   {}: not told by the measurements\n", p.name);
  return out + "# Slack is not part of a scene: take it up before a script counts from zero.\n";
}

}  // namespace

bool base_determined(const Fit& fit) {
  return std::all_of(fit.parameters.end() - 6, fit.parameters.end(),
                     [](const FittedParameter& p) { return p.determined; });
}

Result<std::string> fitted_scene(const Scene& scene, const Fit& fit, const std::filesystem::path& at,
                                 bool move_entry) {
  namespace fs = std::filesystem;
  const auto bytes = read_bytes(scene.file);
  if (!bytes) return tl::unexpected(bytes.error());
  const toml::table document = toml::parse(*bytes, scene.file.string());
  Editor editor(*bytes, document);
  const fs::path folder = fs::absolute(at).parent_path();
  editor.set("channel.mesh", quoted(fs::absolute(scene.mesh_file)
                                        .lexically_normal()
                                        .lexically_relative(folder.lexically_normal())
                                        .generic_string()));
  if (named(fit, "flexural_rigidity_Nmm2").determined)
    editor.set("segment.flexural_rigidity_Nmm2", fmt::format("{:.6g}", fit.found.rigidity_Nmm2));
  if (named(fit, "friction_coefficient").determined)
    editor.set("tendons.friction_coefficient", fmt::format("{:.6g}", fit.found.friction));
  if (move_entry) {
    const Eigen::Isometry3d X_SE = scene.entry.X_SE * fit.found.entry_offset();
    editor.set("entry.point_mm", triple(X_SE.translation()));
    editor.set("entry.axis", triple(X_SE.linear().col(2)));
    editor.set("entry.x_axis", triple(X_SE.linear().col(0)));
  }
  return head_comment(fit) + editor.edited();
}

}  // namespace withy
