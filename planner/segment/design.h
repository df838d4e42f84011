// SPDX-License-Identifier: GPL-3.0-or-later
// The segment and its hardware: everything about the robot that never changes while it moves.
//
// Stations are arc lengths `s` in mm from the base (0) to the tip (L). A lock body is a rigid span of length
// w centred at its station; the tip span is rigid too; the rest bends. Angles in rad, curvature in 1/mm,
// forces in N, moments in N mm, fields in mT, magnet moments in A m^2 (A m^2 x mT = N mm).
#pragma once

#include <optional>
#include <string>
#include <vector>

#include <Eigen/Core>
#include <tl/expected.hpp>

namespace withy {

/// More locks than this on one segment are refused: the sets of engaged locks are kept in a byte.
inline constexpr int kMaxLocks = 8;

struct Segment {
  double length_mm = 0.0;
  double radius_mm = 0.0;
  double tip_rigid_mm = 0.0;
  double curvature_max_per_mm = 0.0;
  double flexural_rigidity_Nmm2 = 0.0;
};

/// One lock's hardware; all locks of a segment are alike.
struct LockHardware {
  double body_length_mm = 0.0;
  double body_radius_mm = 0.0;  ///< at least the segment's radius
  double magnet_Am2 = 0.0;
  double angle_free_rad = 0.0;
  double angle_latched_rad = 0.0;
  double switch_torque_Nmm = 0.0;
  double hold_torque_Nmm = 0.0;
  double hold_moment_Nmm = 0.0;
};

/// Where the locks sit, proximal to distal.
struct LockLayout {
  std::vector<double> station_mm;
  std::vector<double> clock_rad;
  bool assumed =
      false;  ///< true: the scene has no entry for this count; even spacing and clocking 0 were taken
  int count() const { return static_cast<int>(station_mm.size()); }
};

/// Even spacing of `count` stations between the base and the tip span, i (L - w_tip) / (count + 1), and
/// clocking 0: what a lock count without an entry in the scene gets.
LockLayout assumed_layout(const Segment& segment, int count);

struct LatchHardware {
  double notch_pitch_mm = 0.0;  ///< 0: friction lock, every bend is latchable
  double backbone_radius_mm = 0.0;
  std::vector<double> backbone_angle_rad;
  double engage_window_mm = 0.0;
  double backlash_mm = 0.0;
  double hunt_mm = 0.0;  ///< radius of the sweep about a notch (hunt.h), slide; 0: no hunt
};

enum class Motors { ride, stand };

struct TendonHardware {
  double radius_mm = 0.0;
  std::vector<double> angle_rad;
  double disk_spacing_mm = 0.0;  ///< 0: continuous routing
  double stroke_max_mm = 0.0;
  double tension_min_N = 0.0;
  double tension_max_N = 0.0;
  double friction_coefficient = 0.0;
  Motors motors = Motors::ride;
};

enum class CarriageKind { free, guide };

struct Carriage {
  CarriageKind kind = CarriageKind::free;
  double insertion_max_mm = 0.0;
};

/// Reserve that a switch should have where the scene doesn't say (convention of this project, no source).
inline constexpr double kUsualReserve = 1.5;

/// Ambient field where the scene doesn't say (mT): the earth's is 0.025 to 0.065 mT (common textbook figure).
inline constexpr double kUsualAmbient_mT = 0.05;

/// More coils than this about one bench are refused.
inline constexpr int kMaxCoils = 12;

/// A thin circular coil; current runs right-handed about `axis_S`.
struct Coil {
  Eigen::Vector3d centre_S = Eigen::Vector3d::Zero();  ///< mm
  Eigen::Vector3d axis_S = Eigen::Vector3d::UnitZ();   ///< unit vector
  double radius_mm = 0.0;
  double turns = 0.0;
  std::optional<double> resistance_ohm;
  std::optional<double> current_max_A;
};

/// What makes the switching field. Without coils it is uniform, made by three currents along the columns of
/// R_SC; with coils it is the sum of their fields at each place.
struct FieldHardware {
  double strength_max_mT = 0.0;  ///< of the coils' field at every lock
  Eigen::Vector3d coil_mT_per_A = Eigen::Vector3d::Zero();
  Eigen::Matrix3d R_SC = Eigen::Matrix3d::Identity();  ///< coil frame in the scene frame, axes as columns
  std::vector<Coil> coils = {};                        ///< empty: the uniform field above
  double reserve_wanted = kUsualReserve;
  double ambient_mT = 0.0;  ///< some ambient field of at most this strength, of any direction
  Eigen::Vector3d ambient_S = Eigen::Vector3d::Zero();  ///< mT, an ambient field that is known

  int coil_count() const { return coils.empty() ? 3 : static_cast<int>(coils.size()); }
};

/// What the ideal segment leaves out (planner/elastic): weight, and how far wires give.
struct ElasticHardware {
  double mass_g_per_mm = 0.0;                             ///< of the whole body, locks left out
  double lock_mass_g = 0.0;                               ///< of each lock, at its station, in addition
  Eigen::Vector3d gravity_S = -Eigen::Vector3d::UnitZ();  ///< unit vector, down
  double tendon_EA_N = 0.0;                               ///< of one tendon
  double tendon_length_mm = 0.0;                          ///< from base to motor, at insertion 0
  double backbone_EA_N = 0.0;                             ///< of one secondary backbone
  double torsional_rigidity_Nmm2 = 0.0;                   ///< GJ of the segment
  std::optional<double> segment_EA_N;                     ///< axial stiffness of the segment; absent: rigid
  std::optional<double> backbone_EI_Nmm2;  ///< of one secondary backbone, for its buckling between disks
};

/// What a design may be made of, before it is checked. Parts left out are not checked in a plan either.
struct DesignParts {
  Segment segment;
  std::optional<LockHardware> lock;  ///< required with one lock or more
  LockLayout layout;
  std::optional<LatchHardware>
      latch;  ///< absent: every bend is latchable and the plan says "latch" was not checked
  std::optional<TendonHardware> tendons;
  Carriage carriage;
  std::optional<FieldHardware> field;
  std::optional<ElasticHardware> elastic = {};  ///< absent: only the ideal segment can be looked at
  Eigen::Matrix3d R_SE =
      Eigen::Matrix3d::Identity();                 ///< entry frame in the scene frame: fields are given in S
  Eigen::Vector3d p_SE = Eigen::Vector3d::Zero();  ///< entry point in S (mm): coils are placed in S
};

enum class DesignFault {
  length,  ///< segment length, radius, curvature limit or rigidity not positive, tip span outside [0, L)
  lock_missing,  ///< locks in the layout, but no lock hardware
  too_many_locks,
  station_order,  ///< not strictly increasing inside (0, L)
  spans_overlap,  ///< lock bodies overlap one another, the base or the tip span
  clock_count,    ///< not one clocking for each station
  no_flexible_length,
  hardware  ///< a value of lock, latch, tendon, carriage or field out of its range, or a lock thinner than
            ///< the segment
};

struct DesignRefusal {
  DesignFault fault;
  std::string problem;  ///< what is wrong
  std::string remedy;   ///< what would be right
  std::string part;     ///< the value to blame, by its dotted name: "segment.length_mm", "layout.station_mm"
};

/// Everything that is wrong with the parts; empty when a design can be made of them.
std::vector<DesignRefusal> design_faults(const DesignParts& parts);

/// A rigid stretch of the segment, [from, to] in mm of station.
struct RigidSpan {
  double from_mm = 0.0;
  double to_mm = 0.0;
};

/// A checked design. Constant after make(); cheap to share by const reference.
class Design {
 public:
  /// The design, or the first of design_faults(parts).
  static tl::expected<Design, DesignRefusal> make(DesignParts parts);

  const Segment& segment() const { return parts_.segment; }
  const LockHardware& lock() const { return *parts_.lock; }  ///< precondition: lock_count() > 0
  const LockLayout& layout() const { return parts_.layout; }
  const std::optional<LatchHardware>& latch() const { return parts_.latch; }
  const std::optional<TendonHardware>& tendons() const { return parts_.tendons; }
  const Carriage& carriage() const { return parts_.carriage; }
  const std::optional<FieldHardware>& field() const { return parts_.field; }
  const std::optional<ElasticHardware>& elastic() const { return parts_.elastic; }
  const Eigen::Matrix3d& R_SE() const { return parts_.R_SE; }
  const Eigen::Vector3d& p_SE() const { return parts_.p_SE; }
  const DesignParts& parts() const { return parts_; }

  int lock_count() const { return parts_.layout.count(); }
  double length_mm() const { return parts_.segment.length_mm; }
  double station_mm(int lock) const { return parts_.layout.station_mm[static_cast<std::size_t>(lock)]; }

  /// Rigid spans, proximal to distal: one for each lock, then the tip span when it has a length.
  const std::vector<RigidSpan>& rigid_spans() const { return rigid_; }

  /// Flexible arc length between two stations (mm): their distance less the rigid spans between them.
  double flexible_length(double from_mm, double to_mm) const;

  /// Radius of the body at station s: the lock's over lock spans, the segment's elsewhere (shaft, s < 0,
  /// included).
  double body_radius(double s_mm) const;

  /// Largest radius anywhere on the body.
  double largest_radius() const;

 private:
  explicit Design(DesignParts parts);
  DesignParts parts_;
  std::vector<RigidSpan> rigid_;
};

}  // namespace withy
