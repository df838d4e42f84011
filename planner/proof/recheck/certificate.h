// SPDX-License-Identifier: GPL-3.0-or-later
// The certificate: a set H of states that the target may be reached from, as a file.
//
// JSON lines, gzip-compressed or not (RFC 1952; told by the first two bytes). The first line is the header,
// every further line one leaf with a part in H:
//
//   {"format":"withy-proof","version":1,"claim":"unreachable","withy":"0.1.0",
//    "scene":{"file":"..","sha256":"..","mesh_sha256":".."},"locks":2,
//    "targets":[{"point_mm":[x,y,z],"tolerance_mm":2.0,"direction":[x,y,z],"direction_tolerance_rad":0.14}],
//    "required_clearance_mm":0.2,"limits":["insertion","curvature","latch","clearance","tendons","field"],
//    "most_switches":null,"openings":[{"centre_mm":[x,y,z],"radius_mm":8.0,"entry":true}],"leaves":20}
//   {"level":0,"engaged":[1,2],"notches":[[1,0,-1,0],[1,1,-1,-1]],"low":[0,-0.04,-0.04],"high":[160,0.04,0.04],
//    "parts":"aab10..."}
//
// claim: "unreachable" (the scene's own target), "targets" (some others, one H for all), "fewer_switches"
// (the scene's
//   target with at most most_switches lock switches on the way in; level k holds what reaches it with k
//   left).
// layout: only where the locks sit elsewhere than in the scene, after "locks":
//   "layout":{"station_mm":[30,60],"clock_rad":[0,1.57]}, clock_rad null where the proof holds for any.
//   For all layouts with every station within so many mm of these it has "within_mm" as well, and "eased",
//   what the question is then asked with:
//   "eased":{"curvature_per_mm":0.041,"clearance_mm":-0.6,"tolerance_mm":2.8, "direction_tolerance_rad":0.2}.
// via: only where what can't be reached is a place to pass: which of the scene's, from 1.
// cubes: only where the proof is about the tip alone and leaves the locks out (check_passage.cpp); then
// leaves is 0, and
//   so many lines follow, each a row of cubes, "x" from the first to the last of each run:
//   {"y":-2,"z":3,"x":[[-4,5],[7,7]]}
// limits: insertion and curvature, which every proof uses, and what it may use beside them; none twice.
// engaged: locks from 1, proximal to distal; notches: of each of them, n_k of every backbone (slide r_b e_k .
// S = n_k p,
//   S the sum of the bends from the base to the lock), empty for a friction lock.
// low, high: the leaf's box: insertion (mm), free curvature x, y (1/mm), then the continuous coordinates
// (rad) of each
//   frozen bend, one where all backbones lie in one plane (along -e_y, e_x of the first backbone's
//   direction), two (x, y) for friction locks.
// parts: the box cut in halves, depth first, lower half first: a letter cuts along a coordinate ('a'
// insertion, 'b', 'c'
//   curvature, 'd' on frozen), in the middle, 0.5 * (low + high) in binary64; '1' is in H, '0' is not.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "planner/files/input_error.h"
#include "planner/proof/recheck/cover.h"
#include "planner/proof/recheck/lattice.h"

namespace withy::recheck {

struct ProvedTarget {
  Eigen::Vector3d point_S = Eigen::Vector3d::Zero();
  double tolerance_mm = 0.0;
  std::optional<Eigen::Vector3d> direction_S;
  double direction_tolerance_rad = 0.0;
};

struct CertificateOpening {
  Eigen::Vector3d centre_S = Eigen::Vector3d::Zero();
  double radius_mm = 0.0;
  bool entry = false;
};

/// Stations (and clockings) of the locks that a proof is about, where they are not the scene's.
struct ProvedLayout {
  std::vector<double> station_mm;
  std::optional<std::vector<double>> clock_rad;  ///< absent: whatever they are

  /// Above 0: the proof is about all layouts with every station so near to these (stations_near.h), and what
  /// it asks is eased to this.
  double within_mm = 0.0;
  struct Eased {
    double curvature_per_mm = 0.0;
    double clearance_mm = 0.0;
    double tolerance_mm = 0.0;
    double direction_tolerance_rad = 0.0;  ///< of the target's cone, where it has one
  } eased = {};
};

/// Cubes in a row along x, as whole numbers of edges from the entry frame's origin.
struct CubeRow {
  std::int64_t y = 0;
  std::int64_t z = 0;
  std::vector<std::array<std::int64_t, 2>> runs;  ///< x of the first and the last of each
};

/// Edge of the cubes of a proof about the tip, mm.
inline constexpr double kCubeEdge_mm = 1.0;

struct CertificateHeader {
  std::string claim;
  std::string version_of_withy;
  std::string scene_file;
  std::string scene_sha256;
  std::string mesh_sha256;
  int locks = 0;
  std::optional<ProvedLayout> layout;  ///< absent: the scene's
  std::vector<ProvedTarget> targets;
  double required_clearance_mm = 0.0;
  std::vector<std::string> limits;
  std::optional<int> most_switches;
  std::vector<CertificateOpening> openings;
  std::optional<std::size_t> via;  ///< from 0; absent: the target
  std::size_t leaves = 0;
  std::optional<std::size_t> cubes;  ///< rows of them; absent: a proof by leaves

  bool uses(const std::string& limit) const;
};

struct CertificateLeaf {
  int level = 0;
  std::vector<int> engaged;  ///< from 0
  std::vector<Notches> notches;
  Cell whole;
  std::string parts;
};

struct Certificate {
  CertificateHeader header;
  std::vector<CertificateLeaf> leaves;
  std::vector<CubeRow> cubes;  ///< of a proof about the tip
};

/// What a file of these bytes holds: unpacked where they are gzip (one member), else as they are. Errors:
/// damaged, cut short, more than `most_bytes` unpacked. `file` is its name, for errors.
Result<std::string> unpacked(std::string bytes, const std::string& file, std::size_t most_bytes);
/// `text` as gzip.
std::string packed(const std::string& text);

/// Is this text a certificate, by its first line's "format"?
bool is_certificate(const std::string& text);

/// Strict: unknown keys, wrong types, numbers out of range are errors with their line, keys that stand twice
/// with their column as well.
Result<Certificate> read_certificate(const std::string& text, const std::string& file);

/// The certificate's text, unpacked.
std::string write_certificate(const Certificate& certificate);

}  // namespace withy::recheck
