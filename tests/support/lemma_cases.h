// SPDX-License-Identifier: GPL-3.0-or-later
// Random cases that lemmas are attacked with: a channel, a design, a box of states, and the same design as
// the plain implementation has it.
//
// Channels: lumens 1 to 60 mm wide, smooth and rough, bent, with an open outlet, with branches, and one whose
// entry rim reaches past the entry plane. Designs: bodies from 0.2 mm radius, locks from 0.5 to 25 mm long
// and up to twice as thick, touching one another or the base at times, rigid tips, both carriages, bases far
// in and far out, latches of all three kinds. States: at the curvature limit as often as not, past it too,
// with a hair or all of a region out. Boxes: from points to whole leaves.
#pragma once

#include <memory>
#include <vector>

#include "planner/motion/clearance.h"
#include "planner/proof/lemmas/leaf.h"
#include "tests/support/plain_body.h"
#include "tests/support/random_bodies.h"

namespace withy::testing {

/// One channel with distances, exact and by its field.
struct LemmaChannel {
  const char* name;
  std::shared_ptr<const ChannelDistance> distance;
  double lumen_mm;                               ///< radius
  double length_mm;                              ///< of its middle line
  double curvature_per_mm;                       ///< of its middle line, towards +x
  std::shared_ptr<const ChannelDistance> exact;  ///< without the field

  const WallDistance& wall() const { return distance->exact(); }
};

/// Made when first asked for, shared by all cases.
const std::vector<LemmaChannel>& lemma_channels();

/// A design in a channel.
struct LemmaDesign {
  const LemmaChannel* channel = nullptr;
  Design design;
  withy_plain::Robot robot;
  double required_mm = 0.0;

  const WallDistance& wall() const { return channel->wall(); }
};

struct LemmaDesignKind {
  int channel = -1;       ///< index into lemma_channels(); -1: any
  bool hardware = false;  ///< with tendons and a field
};
LemmaDesign random_lemma_design(Random& random, const LemmaDesignKind& kind = {});

/// A state that may break the curvature limit, and may be so that a frozen bend has no length to be in.
/// `follows`: bent as the channel is, more or less, so that margins are neither hopeless nor large.
State random_lemma_state(const LemmaDesign& of, Random& random, bool follows = false);

/// A box of the state's leaf about it.
Box random_lemma_box(const LemmaDesign& of, const BendChart& chart, const Leaf& leaf, const State& about,
                     Random& random);

/// A state of the box, at its faces and corners and at the curvature limit often.
State draw_from(const LemmaDesign& of, const BendChart& chart, const Leaf& leaf, const Box& box,
                Random& random);

/// The state as the plain implementation has it. Precondition: `placeable`.
withy_plain::State plain_of(const LemmaDesign& of, const State& state);

/// Has every frozen bend some length to be in? By the plain implementation.
bool placeable(const LemmaDesign& of, const State& state);

/// Does the state keep the model's limits (section 1 and 2)? By the plain implementation. `slack`: share by
/// which the curvature limit may be passed.
bool allowed(const LemmaDesign& of, const State& state, double slack = 1e-12);

/// Least exact clearance over the body's and the shaft's stations past the entry plane, `apart_mm` apart;
/// infinite where there is none.
double sampled_clearance(const LemmaDesign& of, const State& state, double apart_mm);

/// A point of the channel's neighbourhood past the entry plane, near its outlets and rim often.
Eigen::Vector3d random_point(const LemmaChannel& channel, Random& random);

}  // namespace withy::testing
