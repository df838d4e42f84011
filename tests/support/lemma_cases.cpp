// SPDX-License-Identifier: GPL-3.0-or-later
#include "tests/support/lemma_cases.h"

#include <algorithm>
#include <cmath>

#include <catch2/catch.hpp>

#include "geometry/numbers/numbers.h"
#include "geometry/phantom/channel_maker.h"

namespace withy::testing {

namespace {

/// At the limit, to the last digits that a state is judged by.
constexpr double kAtLimit = 1.0 - 1e-13;

LemmaChannel channel_of(const char* name, std::shared_ptr<const Channel> channel, const TubeShape& shape,
                        double spacing_mm) {
  const auto wall = std::make_shared<const WallDistance>(std::move(channel));
  const auto field = DistanceField::make(wall, spacing_mm);
  return {name,
          std::make_shared<const ChannelDistance>(wall, field),
          shape.radius_mm,
          shape.length_mm,
          shape.bend_rad / shape.length_mm,
          std::make_shared<const ChannelDistance>(wall)};
}

LemmaChannel tube_of(const char* name, const TubeShape& shape, int triangles, double spacing_mm) {
  return channel_of(name, make_tube(shape, triangles), shape, spacing_mm);
}

/// A tube cut off aslant at its entry: half of the rim, and of the opening's faces, are past the plane.
LemmaChannel aslant_tube() {
  const TubeShape shape{.length_mm = 40.0, .radius_mm = 3.0, .bend_rad = 0.3};
  auto channel = std::make_shared<Channel>(*make_tube(shape, 700));
  for (Eigen::Vector3d& v : channel->mesh_E.vertices)
    if (v.z() < 1e-9) v.z() += 0.3 * v.x();
  return channel_of("entry rim past the plane", channel, shape, 0.2);
}

/// A trunk with an open branch, both far ends open.
LemmaChannel branched() {
  ChannelRecipe recipe;
  recipe.entry_end = TubeEnd::open;
  recipe.far_ends = TubeEnd::open;
  recipe.edge_length_mm = 1.5;
  recipe.blend_mm = 1.0;
  TubeRecipe trunk;
  trunk.name = "trunk";
  trunk.bends = {{34.0, Eigen::Vector2d(0.012, 0.0)}};
  trunk.radius.knots = {{0.0, 2.5}};
  TubeRecipe branch;
  branch.name = "branch";
  branch.parent = 0;
  branch.at_mm = 16.0;
  branch.turn_rad = 0.8;
  branch.bends = {{14.0, Eigen::Vector2d::Zero()}};
  branch.radius.knots = {{0.0, 2.2}};
  recipe.tubes = {trunk, branch};
  const auto made = make_channel_mesh(recipe);
  REQUIRE(made);
  Entry entry;
  entry.opening_radius_mm = 3.0;
  auto wall = make_wall(made->mesh_S, entry, Outlets::open);
  REQUIRE(wall);
  const TubeShape shape{.length_mm = 34.0, .radius_mm = 2.5, .bend_rad = 0.4};
  return channel_of("branched, open", (*wall)->channel_pointer(), shape, 0.2);
}

std::vector<LemmaChannel> make_channels() {
  return {
      tube_of("1 mm wide", {.length_mm = 25.0, .radius_mm = 0.5, .bend_rad = 0.5}, 500, 0.1),
      tube_of("bent", {.length_mm = 70.0, .radius_mm = 3.0, .bend_rad = 0.9}, 900, 0.25),
      tube_of("rough",
              {.length_mm = 60.0, .radius_mm = 3.5, .bend_rad = 0.5, .waist_mm = 0.8, .roughness_mm = 0.2},
              900, 0.25),
      tube_of("open outlet",
              {.length_mm = 39.5, .radius_mm = 3.0, .bend_rad = 0.02, .far_end = Outlets::open}, 600, 0.25),
      tube_of("bent open outlet",
              {.length_mm = 25.0, .radius_mm = 1.8, .bend_rad = 0.8, .far_end = Outlets::open}, 600, 0.2),
      tube_of("60 mm wide", {.length_mm = 90.0, .radius_mm = 30.0, .bend_rad = 0.3}, 500, 1.0),
      aslant_tube(),
      branched(),
  };
}

/// Length, radius, tip, limit: fit for the channel, or too large for it at times.
Segment random_segment(const LemmaChannel& channel, Random& random) {
  Segment segment;
  const double narrow = std::min(channel.lumen_mm, 5.0);
  segment.radius_mm = random.below(5) == 0
                          ? 0.2
                          : std::max(0.2, narrow * random.between(0.1, random.below(4) == 0 ? 1.1 : 0.8));
  segment.length_mm = random.between(0.5, 1.6) * std::min(channel.length_mm, 60.0);
  segment.tip_rigid_mm =
      random.below(3) == 0 ? 0.0 : segment.length_mm * std::exp2(-random.between(1.6, 8.0));
  segment.curvature_max_per_mm = std::min(random.between(0.015, 0.12), 0.9 / segment.radius_mm);
  segment.flexural_rigidity_Nmm2 = 500.0;
  return segment;
}

/// Up to three locks, 0.5 to 25 mm long where there is room, touching one another or the base at times.
void add_locks(DesignParts& parts, Random& random) {
  const int count = random.below(4);
  if (count == 0) return;
  const double room = parts.segment.length_mm - parts.segment.tip_rigid_mm;
  LockHardware lock;
  const double most = std::min(25.0, 0.85 * room / count);
  lock.body_length_mm = std::min(most, 0.5 * std::exp2(random.between(0.0, 5.65)));
  lock.body_radius_mm = parts.segment.radius_mm * (random.below(3) == 0 ? 1.0 : random.between(1.0, 2.0));
  lock.magnet_Am2 = 0.004;
  lock.angle_latched_rad = 1.5;
  lock.switch_torque_Nmm = 0.01;
  lock.hold_torque_Nmm = 0.004;
  lock.hold_moment_Nmm = 60.0;
  parts.lock = lock;
  const double bends = room - count * lock.body_length_mm;
  std::vector<double> gap;
  double sum = 0.0;
  for (int i = 0; i <= count; ++i) {
    gap.push_back(random.below(6) == 0 ? 0.0 : random.between(0.05, 1.0));
    sum += gap.back();
  }
  if (sum == 0.0) sum = gap.back() = 1.0;
  double at = 0.0;
  for (int i = 0; i < count; ++i) {
    at += bends * gap[static_cast<std::size_t>(i)] / sum;
    parts.layout.station_mm.push_back(at + 0.5 * lock.body_length_mm);
    parts.layout.clock_rad.push_back(random.between(-3.0, 3.0));
    at += lock.body_length_mm;
  }
}

void add_latch(DesignParts& parts, Random& random) {
  const int kind = random.below(4);
  if (kind == 0) return;  // every bend
  LatchHardware latch{0.3, 1.2, {0.3, 1.9, 4.0}, 0.02, 0.02};
  if (kind == 1) latch.notch_pitch_mm = 0.0;
  if (kind == 2) latch.backbone_angle_rad = {0.4, 0.4 + M_PI};
  latch.backbone_radius_mm = random.between(0.2, 2.0);
  parts.latch = latch;
}

withy_plain::Robot robot_of(const DesignParts& parts) {
  withy_plain::Robot robot;
  robot.scene.length_mm = parts.segment.length_mm;
  robot.scene.radius_mm = parts.segment.radius_mm;
  robot.scene.tip_rigid_mm = parts.segment.tip_rigid_mm;
  robot.scene.curvature_max_per_mm = parts.segment.curvature_max_per_mm;
  robot.scene.rigidity_Nmm2 = parts.segment.flexural_rigidity_Nmm2;
  robot.scene.guide = parts.carriage.kind == CarriageKind::guide;
  robot.scene.insertion_max_mm = parts.carriage.insertion_max_mm;
  if (parts.lock)
    robot.scene.lock = withy_plain::Lock{parts.lock->body_length_mm,
                                         parts.lock->body_radius_mm,
                                         0.004,
                                         0,
                                         parts.lock->angle_latched_rad,
                                         0,
                                         0,
                                         60};
  robot.layout = {parts.layout.station_mm, parts.layout.clock_rad};
  return robot;
}

/// Where the frozen regions and the free one begin and end, by their locks.
std::vector<std::pair<double, double>> regions_by_hand(const LemmaDesign& of, const LockSet& engaged) {
  std::vector<std::pair<double, double>> regions;
  double from = 0.0;
  for (int i = 0; i < of.robot.locks(); ++i) {
    if (!engaged.test(static_cast<std::size_t>(i))) continue;
    regions.emplace_back(from, of.robot.layout.station_mm[static_cast<std::size_t>(i)]);
    from = regions.back().second;
  }
  regions.emplace_back(from, of.robot.scene.length_mm);
  return regions;
}

double random_insertion(const LemmaDesign& of, Random& random) {
  const double L = of.robot.scene.length_mm;
  const double most = of.robot.scene.insertion_max_mm;
  double d = random.between(0.0, most);
  switch (random.below(8)) {
    case 0:
      d = random.below(2) == 0 ? 0.0 : most;
      break;
    case 1:  // the base at the plane
      d = L + random.between(-1.0, 1.0) * std::exp2(-random.between(0.0, 20.0));
      break;
    case 2:
    case 3: {  // the end of a rigid span at the plane, or a hair past it
      const auto spans = withy_plain::rigid_spans(of.robot);
      const auto& span = spans[static_cast<std::size_t>(random.below(static_cast<int>(spans.size())))];
      d = L - (random.below(2) == 0 ? span.first : span.second) + std::exp2(-random.between(-2.0, 25.0));
      break;
    }
    default:
      break;
  }
  return std::clamp(d, 0.0, most);
}

Eigen::Vector2d random_curvature(const LemmaDesign& of, Random& random) {
  const double kappa = of.robot.scene.curvature_max_per_mm;
  const double angle = random.between(0.0, 2.0 * M_PI);
  const Eigen::Vector2d direction(std::cos(angle), std::sin(angle));
  switch (random.below(8)) {
    case 0:
      return Eigen::Vector2d::Zero();
    case 1:
      return kappa * kAtLimit * direction;
    case 2:
      return kappa * random.between(0.9, 1.3) * direction;
    case 3:
      return kappa * std::exp2(-random.between(0.0, 40.0)) * direction;
    case 4:
      return random.in_disk(kappa);
    default: {  // with the channel
      const Eigen::Vector2d along(of.channel->curvature_per_mm, 0.0);
      return random.between(0.3, 1.4) * along + random.in_disk(0.2 * kappa) * random.between(0.0, 1.0);
    }
  }
}

}  // namespace

const std::vector<LemmaChannel>& lemma_channels() {
  static const std::vector<LemmaChannel> kChannels = make_channels();
  return kChannels;
}

LemmaDesign random_lemma_design(Random& random, const LemmaDesignKind& kind) {
  const auto& channels = lemma_channels();
  const int which = kind.channel >= 0 ? kind.channel : random.below(static_cast<int>(channels.size()));
  const LemmaChannel& channel = channels[static_cast<std::size_t>(which)];
  for (;;) {
    DesignParts parts;
    parts.segment = random_segment(channel, random);
    parts.carriage = {random.below(2) == 0 ? CarriageKind::free : CarriageKind::guide,
                      parts.segment.length_mm * random.between(0.4, 2.2)};
    add_locks(parts, random);
    add_latch(parts, random);
    if (kind.hardware) {
      parts.tendons = TendonHardware{1.2 * parts.segment.radius_mm,
                                     {0.0, 0.5 * M_PI, M_PI, 1.5 * M_PI},
                                     random.below(2) == 0 ? 0.0 : random.between(1.0, 12.0),
                                     random.between(0.3, 6.0),
                                     0.2,
                                     random.between(2.0, 40.0),
                                     random.below(2) == 0 ? 0.0 : 0.1,
                                     random.below(2) == 0 ? Motors::ride : Motors::stand};
      if (random.below(4) == 0) parts.tendons->angle_rad = {0.0, M_PI};
      FieldHardware field{random.between(1.0, 12.0), {1.8, 1.8, 1.8}, Eigen::Matrix3d::Identity()};
      field.ambient_mT = kUsualAmbient_mT;
      if (parts.lock) parts.field = field;
    }
    const withy_plain::Robot robot = robot_of(parts);
    auto design = Design::make(std::move(parts));
    if (!design) continue;
    return {&channel, *design, robot, channel.lumen_mm * random.between(0.0, 0.08)};
  }
}

State random_lemma_state(const LemmaDesign& of, Random& random, bool follows) {
  State state;
  state.insertion_mm = random_insertion(of, random);
  for (int i = 0; i < of.robot.locks(); ++i)
    state.engaged.set(static_cast<std::size_t>(i), random.below(2) == 0);
  for (const auto& [from, to] : regions_by_hand(of, state.engaged)) {
    Eigen::Vector2d u = random_curvature(of, random);
    if (follows) u = {random.between(0.4, 1.3) * of.channel->curvature_per_mm, random.between(-0.002, 0.002)};
    if (to == of.robot.scene.length_mm)
      state.u_free = u;
    else
      state.theta_frozen.push_back(withy_plain::flexible_length(of.robot, state.insertion_mm, from, to) * u);
  }
  return state;
}

Box random_lemma_box(const LemmaDesign& of, const BendChart& chart, const Leaf& leaf, const State& about,
                     Random& random) {
  Box box = whole_leaf(of.design, chart, leaf);
  if (random.below(12) == 0) return box;
  const auto at = coordinates_of(chart, about);
  // A hair's breadth, long in insertion and narrow in bend, the other way round, or anything.
  const int shape = random.below(5);
  for (int k = 0; k < box.dimensions; ++k) {
    const auto i = Box::idx(k);
    double halvings = random.between(1.0, 11.0);
    if (shape == 0) halvings = random.between(14.0, 30.0);
    if (shape == 1 || shape == 2) halvings = (k == 0) == (shape == 1) ? 4.0 : random.between(7.0, 14.0);
    const double width = random.below(16) == 0 ? 0.0 : (box.high[i] - box.low[i]) * std::exp2(-halvings);
    const double low = at[i] - width * (random.below(4) == 0 ? 1.0 : random.between(0.0, 1.0));
    box.low[i] = std::clamp(low, box.low[i], box.high[i]);
    box.high[i] = std::clamp(low + width, box.low[i], box.high[i]);
  }
  return box;
}

State draw_from(const LemmaDesign& of, const BendChart& chart, const Leaf& leaf, const Box& box,
                Random& random) {
  std::array<double, kMaxDimensions> x{};
  for (int k = 0; k < box.dimensions; ++k) {
    const std::array<double, 3> choices = {box.low[Box::idx(k)], box.high[Box::idx(k)],
                                           random.between(box.low[Box::idx(k)], box.high[Box::idx(k)])};
    x[Box::idx(k)] = choices[static_cast<std::size_t>(random.below(3))];
  }
  State state = state_at(chart, leaf, x.data());
  if (random.below(3) != 0) return state;
  // Pulled back onto the curvature limit where it is past it and the box goes on there.
  const double kappa = of.robot.scene.curvature_max_per_mm * kAtLimit;
  const auto regions = regions_by_hand(of, leaf.engaged);
  if (state.u_free.norm() > kappa) state.u_free *= kappa / state.u_free.norm();
  if (chart.coordinates() == 2)
    for (std::size_t r = 0; r < state.theta_frozen.size(); ++r) {
      const double f =
          withy_plain::flexible_length(of.robot, state.insertion_mm, regions[r].first, regions[r].second);
      const double size = state.theta_frozen[r].norm();
      if (size > kappa * f) state.theta_frozen[r] *= kappa * f / size;
    }
  const auto y = coordinates_of(chart, state);
  for (int k = 0; k < box.dimensions; ++k)
    x[Box::idx(k)] = std::clamp(y[Box::idx(k)], box.low[Box::idx(k)], box.high[Box::idx(k)]);
  return state_at(chart, leaf, x.data());
}

bool placeable(const LemmaDesign& of, const State& state) {
  const auto regions = regions_by_hand(of, state.engaged);
  for (std::size_t r = 0; r < state.theta_frozen.size(); ++r)
    if (!state.theta_frozen[r].isZero(0.0) &&
        withy_plain::flexible_length(of.robot, state.insertion_mm, regions[r].first, regions[r].second) <=
            2e-9)
      return false;
  return true;
}

withy_plain::State plain_of(const LemmaDesign& of, const State& state) {
  withy_plain::State plain;
  plain.insertion_mm = state.insertion_mm;
  for (int i = 0; i < of.robot.locks(); ++i)
    plain.locked.push_back(state.engaged.test(static_cast<std::size_t>(i)));
  const auto regions = regions_by_hand(of, state.engaged);
  for (std::size_t r = 0; r < regions.size(); ++r) {
    const auto& [from, to] = regions[r];
    Eigen::Vector2d u = state.u_free;
    if (r < state.theta_frozen.size()) {
      const double f = withy_plain::flexible_length(of.robot, state.insertion_mm, from, to);
      u = state.theta_frozen[r].isZero(0.0) ? Eigen::Vector2d(0, 0)
                                            : Eigen::Vector2d(state.theta_frozen[r] / f);
    }
    plain.regions.push_back({from, to, u});
  }
  return plain;
}

bool allowed(const LemmaDesign& of, const State& state, double slack) {
  if (!(state.insertion_mm >= 0.0 && state.insertion_mm <= of.robot.scene.insertion_max_mm)) return false;
  if (!placeable(of, state)) return false;
  const double limit = of.robot.scene.curvature_max_per_mm * (1.0 + slack);
  const withy_plain::State plain = plain_of(of, state);
  return std::all_of(plain.regions.begin(), plain.regions.end(),
                     [&](const withy_plain::Region& r) { return r.u.norm() <= limit; });
}

double sampled_clearance(const LemmaDesign& of, const State& state, double apart_mm) {
  const withy_plain::Body body(of.robot, plain_of(of, state));
  const double L = of.robot.scene.length_mm;
  double least = kInfinity;
  const auto ask = [&](double s, double radius) {
    const Eigen::Vector3d p = body.point_E(s);
    if (p.z() > 1e-12) least = std::min(least, exact_distance(of.wall(), p) - radius);
  };
  // No point is further in than its arc length from the base and the base's own depth.
  const double first = std::max(0.0, L - state.insertion_mm);
  for (double s = L; s > first; s -= apart_mm) ask(s, withy_plain::radius(of.robot, s));
  for (const auto& [a, b] : withy_plain::rigid_spans(of.robot)) {
    if (a >= first) ask(a, withy_plain::radius(of.robot, a));
    if (b >= first) ask(b, withy_plain::radius(of.robot, b));
  }
  for (double s = 0.0; s > L - state.insertion_mm; s -= apart_mm) ask(s, of.robot.scene.radius_mm);
  return least;
}

Eigen::Vector3d random_point(const LemmaChannel& channel, Random& random) {
  const TubeShape shape{.length_mm = channel.length_mm,
                        .radius_mm = channel.lumen_mm,
                        .bend_rad = channel.curvature_per_mm * channel.length_mm};
  for (;;) {
    double s = random.between(0.0, 1.2 * channel.length_mm);
    if (random.below(3) == 0) s = channel.length_mm + random.between(-1.0, 1.0) * channel.lumen_mm;
    if (random.below(4) == 0) s = random.between(0.0, 1.0) * channel.lumen_mm;
    const Eigen::Vector3d p =
        tube_middle(shape, s) + random.between(0.0, 1.6) * channel.lumen_mm * random.direction();
    if (p.z() > 1e-6) return p;
  }
}

}  // namespace withy::testing
