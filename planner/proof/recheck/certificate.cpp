// SPDX-License-Identifier: GPL-3.0-or-later
#include "planner/proof/recheck/certificate.h"

#include <algorithm>
#include <cmath>
#include <initializer_list>
#include <set>
#include <sstream>
#include <stdexcept>

#include <fmt/format.h>
#include <nlohmann/json.hpp>
#include <zlib.h>

#include "planner/files/json_depth.h"

namespace withy::recheck {
namespace {

using Json = nlohmann::json;

// zlib: window bits 15, plus 16 for a gzip header (zlib.h).
constexpr int kGzip = 15 + 16;
constexpr std::size_t kBlock = 1U << 16U;
constexpr int kMostEngaged = 8;
constexpr std::size_t kMostSaid = 100;  // of a word of the file
constexpr int kMostNotch = 1000000;
constexpr int kMostCube = 100000;

/// A fault of one line, in words; turned into an InputError with the line where it is caught.
struct Fault : std::runtime_error {
  explicit Fault(const std::string& words, std::size_t at_column = 1)
      : std::runtime_error(words), column(static_cast<int>(at_column)) {}
  int column;
};

/// Where the text begins whose closing quote stands at `end`.
std::size_t opening_quote(std::string_view words, std::size_t end) {
  const auto escaped = [&](std::size_t at) {
    std::size_t slashes = 0;
    while (at > slashes && words[at - slashes - 1] == '\\') ++slashes;
    return slashes % 2 == 1;
  };
  do {
    --end;
  } while (words[end] != '"' || escaped(end));
  return end;
}

/// One line. A key that an object has twice is a fault at its place: readers differ in which of the two they
/// take.
Json parsed_line(std::string_view words) {
  std::istringstream in{std::string(words)};
  std::vector<std::set<std::string>> keys;  // of the objects that are open
  return Json::parse(in, [&](int, Json::parse_event_t event, const Json& value) {
    if (event == Json::parse_event_t::object_start) keys.emplace_back();
    if (event == Json::parse_event_t::object_end) keys.pop_back();
    if (event != Json::parse_event_t::key) return true;
    const auto key = value.get<std::string>();
    if (keys.back().insert(key).second) return true;
    const auto read = static_cast<std::size_t>(in.rdbuf()->pubseekoff(0, std::ios::cur, std::ios::in));
    throw Fault(fmt::format("the key \"{}\" stands twice", key.substr(0, kMostSaid)),
                opening_quote(words, read - 1) + 1);
  });
}

void expect_keys(const Json& object, std::initializer_list<const char*> required,
                 std::initializer_list<const char*> optional = {}) {
  if (!object.is_object()) throw Fault("an object was expected");
  for (const char* key : required)
    if (!object.contains(key)) throw Fault(fmt::format("key \"{}\" is missing", key));
  for (const auto& [key, value] : object.items()) {
    const auto is = [&k = key](const char* other) { return k == other; };
    if (!std::any_of(required.begin(), required.end(), is) &&
        !std::any_of(optional.begin(), optional.end(), is))
      throw Fault(fmt::format("unknown key \"{}\"", key.substr(0, kMostSaid)));
  }
}

double number(const Json& value, const char* what) {
  if (!value.is_number()) throw Fault(fmt::format("{} must be a number", what));
  const double x = value.get<double>();
  if (!std::isfinite(x)) throw Fault(fmt::format("{} must be finite", what));
  return x;
}

double not_negative(const Json& value, const char* what) {
  const double x = number(value, what);
  if (x < 0.0) throw Fault(fmt::format("{} must not be negative", what));
  return x;
}

int whole(const Json& value, int least, int most, const char* what) {
  if (!value.is_number_integer()) throw Fault(fmt::format("{} must be a whole number", what));
  if (value.is_number_unsigned() && value.get<std::uint64_t>() > static_cast<std::uint64_t>(most))
    throw Fault(fmt::format("{} must be from {} to {}", what, least, most));
  const auto x = value.get<std::int64_t>();
  if (x < least || x > most) throw Fault(fmt::format("{} must be from {} to {}", what, least, most));
  return static_cast<int>(x);
}

std::string text_of(const Json& value, const char* what) {
  if (!value.is_string()) throw Fault(fmt::format("{} must be a text", what));
  return value.get<std::string>();
}

const Json& list(const Json& value, const char* what) {
  if (!value.is_array()) throw Fault(fmt::format("{} must be a list", what));
  return value;
}

Eigen::Vector3d vector3(const Json& value, const char* what) {
  if (list(value, what).size() != 3) throw Fault(fmt::format("{} must hold three numbers", what));
  return {number(value[0], what), number(value[1], what), number(value[2], what)};
}

ProvedTarget target_of(const Json& json) {
  expect_keys(json, {"point_mm", "tolerance_mm"}, {"direction", "direction_tolerance_rad"});
  ProvedTarget target;
  target.point_S = vector3(json["point_mm"], "point_mm");
  target.tolerance_mm = not_negative(json["tolerance_mm"], "tolerance_mm");
  if (json.contains("direction") != json.contains("direction_tolerance_rad"))
    throw Fault("direction and direction_tolerance_rad go together");
  if (json.contains("direction")) {
    target.direction_S = vector3(json["direction"], "direction");
    if (!(target.direction_S->norm() > 0.0)) throw Fault("direction must not be zero");
    target.direction_S->normalize();
    target.direction_tolerance_rad = not_negative(json["direction_tolerance_rad"], "direction_tolerance_rad");
  }
  return target;
}

std::vector<double> numbers(const Json& value, std::size_t count, const char* what) {
  if (list(value, what).size() != count)
    throw Fault(fmt::format("{} must hold one number for each lock", what));
  std::vector<double> out;
  for (const Json& x : value) out.push_back(number(x, what));
  return out;
}

ProvedLayout layout_of(const Json& json, const CertificateHeader& header) {
  expect_keys(json, {"station_mm", "clock_rad"}, {"within_mm", "eased"});
  const auto locks = static_cast<std::size_t>(header.locks);
  ProvedLayout layout{numbers(json["station_mm"], locks, "station_mm"), std::nullopt};
  if (!json["clock_rad"].is_null()) layout.clock_rad = numbers(json["clock_rad"], locks, "clock_rad");
  if (!layout.clock_rad && header.uses("field"))
    throw Fault("clock_rad must be given where the field counts");
  if (json.contains("within_mm") != json.contains("eased"))
    throw Fault("within_mm and eased belong together");
  if (!json.contains("eased")) return layout;
  layout.within_mm = number(json["within_mm"], "within_mm");
  if (!(layout.within_mm > 0.0)) throw Fault("within_mm must be above 0");
  const Json& eased = json["eased"];
  expect_keys(eased, {"curvature_per_mm", "clearance_mm", "tolerance_mm", "direction_tolerance_rad"});
  layout.eased = {number(eased["curvature_per_mm"], "curvature_per_mm"),
                  number(eased["clearance_mm"], "clearance_mm"),
                  number(eased["tolerance_mm"], "tolerance_mm"),
                  number(eased["direction_tolerance_rad"], "direction_tolerance_rad")};
  return layout;
}

std::vector<std::string> limits_of(const Json& json) {
  static const std::set<std::string> known = {"insertion", "curvature", "latch",
                                              "clearance", "tendons",   "field"};
  std::set<std::string> listed;
  std::vector<std::string> limits;
  for (const Json& l : list(json, "limits")) {
    const std::string limit = text_of(l, "limits");
    if (known.count(limit) == 0)
      throw Fault(fmt::format("limits: unknown limit \"{}\"", limit.substr(0, kMostSaid)));
    if (!listed.insert(limit).second) throw Fault(fmt::format("limits: \"{}\" stands twice", limit));
    limits.push_back(limit);
  }
  // Every check uses them, whatever is listed.
  for (const char* always : {"insertion", "curvature"})
    if (listed.count(always) == 0) throw Fault(fmt::format("limits: \"{}\" must be listed", always));
  return limits;
}

CertificateHeader header_of(const Json& json) {
  expect_keys(json,
              {"format", "version", "claim", "withy", "scene", "locks", "targets", "required_clearance_mm",
               "limits", "most_switches", "openings", "leaves"},
              {"layout", "via", "cubes"});
  if (text_of(json["format"], "format") != "withy-proof") throw Fault("format must be \"withy-proof\"");
  if (whole(json["version"], 0, 1000000, "version") != 1) throw Fault("version must be 1");
  CertificateHeader header;
  header.claim = text_of(json["claim"], "claim");
  if (header.claim != "unreachable" && header.claim != "targets" && header.claim != "fewer_switches")
    throw Fault("claim must be \"unreachable\", \"targets\" or \"fewer_switches\"");
  header.version_of_withy = text_of(json["withy"], "withy");
  expect_keys(json["scene"], {"file", "sha256", "mesh_sha256"});
  header.scene_file = text_of(json["scene"]["file"], "scene.file");
  header.scene_sha256 = text_of(json["scene"]["sha256"], "scene.sha256");
  header.mesh_sha256 = text_of(json["scene"]["mesh_sha256"], "scene.mesh_sha256");
  header.locks = whole(json["locks"], 0, kMostEngaged, "locks");
  for (const Json& t : list(json["targets"], "targets")) header.targets.push_back(target_of(t));
  if (header.targets.empty()) throw Fault("targets must name one at least");
  header.required_clearance_mm = not_negative(json["required_clearance_mm"], "required_clearance_mm");
  header.limits = limits_of(json["limits"]);
  if (json.contains("layout")) header.layout = layout_of(json["layout"], header);
  if (!json["most_switches"].is_null())
    header.most_switches = whole(json["most_switches"], 0, 1000, "most_switches");
  if (header.most_switches.has_value() != (header.claim == "fewer_switches"))
    throw Fault("most_switches belongs to the claim \"fewer_switches\"");
  for (const Json& o : list(json["openings"], "openings")) {
    expect_keys(o, {"centre_mm", "radius_mm", "entry"});
    if (!o["entry"].is_boolean()) throw Fault("entry must be true or false");
    header.openings.push_back(
        {vector3(o["centre_mm"], "centre_mm"), number(o["radius_mm"], "radius_mm"), o["entry"].get<bool>()});
  }
  header.leaves = static_cast<std::size_t>(whole(json["leaves"], 0, 100000000, "leaves"));
  if (json.contains("via")) header.via = static_cast<std::size_t>(whole(json["via"], 1, 1000, "via") - 1);
  if (header.via && header.claim != "unreachable") throw Fault("via belongs to the claim \"unreachable\"");
  if (!json.contains("cubes")) return header;
  header.cubes = static_cast<std::size_t>(whole(json["cubes"], 0, 100000000, "cubes"));
  if (header.claim != "unreachable" || header.layout || header.leaves != 0 || !header.uses("clearance"))
    throw Fault(
        "cubes belong to the claim \"unreachable\" without a layout and leaves, and with the limit "
        "\"clearance\"");
  return header;
}

CubeRow row_of(const Json& json) {
  expect_keys(json, {"y", "z", "x"});
  CubeRow row;
  row.y = whole(json["y"], -kMostCube, kMostCube, "y");
  row.z = whole(json["z"], 0, kMostCube, "z");
  for (const Json& run : list(json["x"], "x")) {
    if (list(run, "x").size() != 2) throw Fault("x must hold the first and the last cube of each run");
    const int first = whole(run[0], -kMostCube, kMostCube, "x");
    row.runs.push_back({first, whole(run[1], first, kMostCube, "x")});
  }
  return row;
}

CertificateLeaf leaf_of(const Json& json, const CertificateHeader& header) {
  expect_keys(json, {"level", "engaged", "notches", "low", "high", "parts"});
  CertificateLeaf leaf;
  leaf.level = whole(json["level"], 0, header.most_switches.value_or(0), "level");
  for (const Json& lock : list(json["engaged"], "engaged")) {
    const int i = whole(lock, 1, header.locks, "engaged") - 1;
    if (!leaf.engaged.empty() && leaf.engaged.back() >= i)
      throw Fault("engaged must go from proximal to distal");
    leaf.engaged.push_back(i);
  }
  for (const Json& notches : list(json["notches"], "notches")) {
    Notches n;
    for (const Json& k : list(notches, "notches")) n.push_back(whole(k, -kMostNotch, kMostNotch, "notches"));
    leaf.notches.push_back(std::move(n));
  }
  if (leaf.notches.size() != leaf.engaged.size())
    throw Fault("notches must hold one list for each engaged lock");
  const Json& low = list(json["low"], "low");
  const Json& high = list(json["high"], "high");
  if (low.size() != high.size() || low.size() < 3 || low.size() > static_cast<std::size_t>(kMostDimensions))
    throw Fault("low and high must hold as many numbers as the leaf has coordinates");
  leaf.whole.dimensions = static_cast<int>(low.size());
  for (std::size_t k = 0; k < low.size(); ++k) {
    leaf.whole.low[k] = number(low[k], "low");
    leaf.whole.high[k] = number(high[k], "high");
    if (leaf.whole.low[k] > leaf.whole.high[k]) throw Fault("low must not be above high");
  }
  leaf.parts = text_of(json["parts"], "parts");
  return leaf;
}

Json json_of(const Eigen::Vector3d& v) {
  return Json::array({v.x(), v.y(), v.z()});
}

}  // namespace

bool CertificateHeader::uses(const std::string& limit) const {
  return std::find(limits.begin(), limits.end(), limit) != limits.end();
}

Result<std::string> unpacked(std::string bytes, const std::string& file, std::size_t most_bytes) {
  if (bytes.size() < 2 || bytes[0] != '\x1f' || bytes[1] != '\x8b') return bytes;
  z_stream stream{};
  if (inflateInit2(&stream, kGzip) != Z_OK)
    return input_error(file, 1, 1, "gzip can't be unpacked", "more memory");
  stream.next_in = reinterpret_cast<Bytef*>(bytes.data());
  stream.avail_in = static_cast<uInt>(bytes.size());
  std::string text;
  std::string block(kBlock, '\0');
  int status = Z_OK;
  while (status == Z_OK && text.size() <= most_bytes) {
    stream.next_out = reinterpret_cast<Bytef*>(block.data());
    stream.avail_out = static_cast<uInt>(block.size());
    status = inflate(&stream, Z_NO_FLUSH);
    text.append(block.data(), block.size() - stream.avail_out);
  }
  inflateEnd(&stream);
  if (status != Z_STREAM_END || stream.avail_in != 0 || text.size() > most_bytes)
    return input_error(file, 1, 1, "the gzip stream is damaged, cut short or too long", "a whole gzip file");
  return text;
}

std::string packed(const std::string& text) {
  z_stream stream{};
  if (deflateInit2(&stream, Z_BEST_COMPRESSION, Z_DEFLATED, kGzip, 9, Z_DEFAULT_STRATEGY) != Z_OK)
    return text;
  std::string out(deflateBound(&stream, static_cast<uLong>(text.size())), '\0');
  std::string in = text;
  stream.next_in = reinterpret_cast<Bytef*>(in.data());
  stream.avail_in = static_cast<uInt>(in.size());
  stream.next_out = reinterpret_cast<Bytef*>(out.data());
  stream.avail_out = static_cast<uInt>(out.size());
  deflate(&stream, Z_FINISH);
  out.resize(out.size() - stream.avail_out);
  deflateEnd(&stream);
  return out;
}

bool is_certificate(const std::string& text) {
  const std::string line = text.substr(0, text.find('\n'));
  if (json_excess(line)) return false;
  const Json first = Json::parse(line, nullptr, false);
  return first.is_object() && first.value("format", Json()) == "withy-proof";
}

Result<Certificate> read_certificate(const std::string& text, const std::string& file) {
  Certificate certificate;
  int line = 0;
  try {
    for (std::size_t at = 0; at < text.size();) {
      const std::size_t end = std::min(text.find('\n', at), text.size());
      ++line;
      const std::string_view words = std::string_view(text).substr(at, end - at);
      if (const auto excess = json_excess(words)) throw Fault(*excess);
      const Json json = parsed_line(words);
      if (line == 1)
        certificate.header = header_of(json);
      else if (certificate.header.cubes)
        certificate.cubes.push_back(row_of(json));
      else
        certificate.leaves.push_back(leaf_of(json, certificate.header));
      at = end + 1;
    }
    if (line == 0) throw Fault("the file is empty");
    if (certificate.leaves.size() != certificate.header.leaves)
      throw Fault(fmt::format("the header promises {} leaves, the file holds {}", certificate.header.leaves,
                              certificate.leaves.size()));
    if (certificate.cubes.size() != certificate.header.cubes.value_or(0))
      throw Fault(fmt::format("the header promises {} rows of cubes, the file holds {}",
                              *certificate.header.cubes, certificate.cubes.size()));
  } catch (const Json::exception&) {
    return input_error(file, line, 1, "this line is not JSON", "one object on each line");
  } catch (const Fault& fault) {
    return input_error(file, std::max(1, line), fault.column, fault.what(),
                       "a certificate as withy plan --proof writes it");
  }
  return certificate;
}

std::string write_certificate(const Certificate& certificate) {
  const CertificateHeader& h = certificate.header;
  nlohmann::ordered_json header;
  header["format"] = "withy-proof";
  header["version"] = 1;
  header["claim"] = h.claim;
  header["withy"] = h.version_of_withy;
  header["scene"] = {{"file", h.scene_file}, {"sha256", h.scene_sha256}, {"mesh_sha256", h.mesh_sha256}};
  header["locks"] = h.locks;
  if (h.layout) {
    header["layout"]["station_mm"] = h.layout->station_mm;
    header["layout"]["clock_rad"] =
        h.layout->clock_rad ? nlohmann::ordered_json(*h.layout->clock_rad) : nlohmann::ordered_json();
    if (h.layout->within_mm > 0.0) {
      const ProvedLayout::Eased& eased = h.layout->eased;
      header["layout"]["within_mm"] = h.layout->within_mm;
      header["layout"]["eased"] = {{"curvature_per_mm", eased.curvature_per_mm},
                                   {"clearance_mm", eased.clearance_mm},
                                   {"tolerance_mm", eased.tolerance_mm},
                                   {"direction_tolerance_rad", eased.direction_tolerance_rad}};
    }
  }
  header["targets"] = nlohmann::ordered_json::array();
  for (const ProvedTarget& t : h.targets) {
    nlohmann::ordered_json target;
    target["point_mm"] = json_of(t.point_S);
    target["tolerance_mm"] = t.tolerance_mm;
    if (t.direction_S) {
      target["direction"] = json_of(*t.direction_S);
      target["direction_tolerance_rad"] = t.direction_tolerance_rad;
    }
    header["targets"].push_back(target);
  }
  header["required_clearance_mm"] = h.required_clearance_mm;
  header["limits"] = h.limits;
  header["most_switches"] =
      h.most_switches ? nlohmann::ordered_json(*h.most_switches) : nlohmann::ordered_json();
  header["openings"] = nlohmann::ordered_json::array();
  for (const CertificateOpening& o : h.openings)
    header["openings"].push_back(
        {{"centre_mm", json_of(o.centre_S)}, {"radius_mm", o.radius_mm}, {"entry", o.entry}});
  if (h.via) header["via"] = *h.via + 1;
  header["leaves"] = certificate.leaves.size();
  if (h.cubes) header["cubes"] = certificate.cubes.size();
  std::string text = header.dump() + "\n";
  for (const CertificateLeaf& leaf : certificate.leaves) {
    nlohmann::ordered_json line;
    line["level"] = leaf.level;
    line["engaged"] = nlohmann::ordered_json::array();
    for (const int i : leaf.engaged) line["engaged"].push_back(i + 1);
    line["notches"] = leaf.notches;
    const auto n = static_cast<std::ptrdiff_t>(leaf.whole.dimensions);
    line["low"] = std::vector<double>(leaf.whole.low.begin(), leaf.whole.low.begin() + n);
    line["high"] = std::vector<double>(leaf.whole.high.begin(), leaf.whole.high.begin() + n);
    line["parts"] = leaf.parts;
    text += line.dump() + "\n";
  }
  for (const CubeRow& row : certificate.cubes)
    text += nlohmann::ordered_json{{"y", row.y}, {"z", row.z}, {"x", row.runs}}.dump() + "\n";
  return text;
}

}  // namespace withy::recheck
