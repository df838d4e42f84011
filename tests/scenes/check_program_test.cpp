// SPDX-License-Identifier: GPL-3.0-or-later
// The built program against scenes and meshes that are broken in one way each: exit status 2, one exact line,
// nothing written. Lines and columns are counted in the files by hand, the words are those that a user should
// read.
#include <algorithm>
#include <iterator>

#include <catch2/catch.hpp>

#include "tests/support/run_program.h"
#include "tests/support/temporary_folder.h"

using withy_test::ProgramRun;
using withy_test::read_text;
using withy_test::run_program;
using withy_test::TemporaryFolder;
using withy_test::write_text;

namespace {

const std::filesystem::path kAssets = std::filesystem::path(WITHY_SOURCE_DIR) / "tests/assets";

/// `text` with one passage replaced; the passage has to be there.
std::string replaced(std::string text, const std::string& what, const std::string& by) {
  const std::size_t at = text.find(what);
  INFO("looking for " << what);
  REQUIRE(at != std::string::npos);
  return text.replace(at, what.size(), by);
}

/// The folder gets scene.toml with this text and the tube; `withy check scene.toml` must refuse it with
/// `line`.
void check_refusal(const TemporaryFolder& folder, const std::string& line) {
  const auto before = folder.listing();
  const ProgramRun run = run_program(WITHY_PROGRAM, {"check", "scene.toml"}, folder.path());
  CHECK(run.status == 2);
  CHECK(run.err == line + "\n");
  CHECK(run.out.empty());
  CHECK(folder.listing() == before);
}

struct BrokenScene {
  const char* what;
  const char* passage;  ///< of tests/assets/scenes/full.toml
  const char* instead;
  const char* line;
};

const BrokenScene kBrokenScenes[] = {
    {"an unknown key", "tip_rigid_mm = 3.0", "tip_rigid_mm = 3.0\nstiffness = 2.0",
     "scene.toml:27:1: unknown key segment.stiffness, the keys of [segment] are curvature_max_per_mm, "
     "flexural_rigidity_Nmm2, length_mm, radius_mm, tip_rigid_mm"},
    {"an unknown table", "[carriage]", "[wheels]\nfront = 2\n\n[carriage]",
     "scene.toml:69:2: unknown key wheels, the keys of the file are actuation, carriage, channel, clearance, "
     "elastic, entry, "
     "field, latch, layout, lock, segment, target, tendons, title, via"},
    {"a missing key", "required_mm = 0.2\n", "",
     "scene.toml:20:1: [clearance] has no required_mm, give required_mm, a number"},
    {"a missing title", "title", "name", "scene.toml:1:1: no title in the file, give title, a string"},
    {"a missing table",
     "[target]\npoint_mm = [0.0, 0.0, 60.0]\ntolerance_mm = 2.0\ndirection = [0.0, 0.0, "
     "1.0]\ndirection_tolerance_deg = 20.0\n",
     "", "scene.toml:1:1: no table [target], add it with all its keys"},
    {"a string for a number", "length_mm = 100.0", "length_mm = \"100 mm\"",
     "scene.toml:24:13: segment.length_mm is a string, give a number"},
    {"a number for a string", "mesh = \"tube.off\"", "mesh = 7",
     "scene.toml:4:8: channel.mesh is an integer, give a string"},
    {"a number for a table",
     "rates = { advance_mm_per_s = 2.0, tendon_mm_per_s = 1.0, field_settle_s = 1.0 }", "rates = 2.0",
     "scene.toml:84:9: actuation.rates is a number, give a table"},
    {"a number with a fraction for a whole one", "use = 1", "use = 1.5",
     "scene.toml:41:7: layout.use is a number, give a whole number"},
    {"a string among numbers", "[33.0, 67.0]", "[33.0, \"67\"]",
     "scene.toml:48:21: layout.2.station_mm[1] is a string, give a number"},
    {"two numbers for a point", "[0.0, 0.0, 60.0]", "[0.0, 60.0]",
     "scene.toml:15:12: target.point_mm has 2 numbers, give three numbers [x, y, z]"},
    {"no number at all", "radius_mm = 1.5", "radius_mm = nan",
     "scene.toml:25:13: segment.radius_mm is nan, give a finite number"},
    {"an endless number", "insertion_max_mm = 160.0", "insertion_max_mm = inf",
     "scene.toml:71:20: carriage.insertion_max_mm is inf, give a finite number"},
    {"an unknown unit", "unit = \"mm\"", "unit = \"inch\"",
     "scene.toml:5:8: channel.unit is \"inch\", give one of \"mm\", \"cm\", \"m\", \"in\""},
    {"an unknown word", "kind = \"free\"", "kind = \"wheels\"",
     "scene.toml:70:8: carriage.kind is \"wheels\", give one of \"free\", \"guide\""},
    {"a string that is never closed", "flexural_rigidity_Nmm2 = 900.0\n", "flexural_rigidity_Nmm2 = \"",
     "scene.toml:28:27: not TOML: Error while parsing string: unescaped control characters "
     "other than TAB (U+0009) are explicitly prohibited, give a file as TOML 1.0 has it"},
    {"a bracket too few", "point_mm = [0.0, 0.0, 60.0]", "point_mm = [0.0, 0.0, 60.0",
     "scene.toml:16:1: not TOML: Error while parsing array: expected comma or closing ']', "
     "saw 't', give a file as TOML 1.0 has it"},
    {"a key given twice", "radius_mm = 1.5", "radius_mm = 1.5\nradius_mm = 1.6",
     "scene.toml:26:13: not TOML: Error while parsing key-value pair: cannot redefine "
     "existing floating-point 'radius_mm', give a file as TOML 1.0 has it"},
    {"a length below zero", "length_mm = 100.0", "length_mm = -100.0",
     "scene.toml:24:13: segment.length_mm is -100, give a number from 1 to 5000 mm"},
    {"no tolerance", "tolerance_mm = 2.0", "tolerance_mm = 0.0",
     "scene.toml:16:16: target.tolerance_mm is 0, give a number from 0.001 to 1000 mm"},
    {"a clearance below zero", "required_mm = 0.2", "required_mm = -0.2",
     "scene.toml:21:15: clearance.required_mm is -0.2, give a number from 0 to 100 mm"},
    {"an axis of no length", "axis = [0.0, 0.0, 1.0]", "axis = [0.0, 0.0, 0.0]",
     "scene.toml:10:8: entry.axis has no length, give the direction into the channel"},
    {"axes along one line", "x_axis = [1.0, 0.0, 0.0]", "x_axis = [0.0, 0.0, 2.0]",
     "scene.toml:11:10: entry.x_axis is parallel to entry.axis, give a direction across entry.axis"},
    {"a direction without its cone", "direction_tolerance_deg = 20.0\n", "",
     "scene.toml:14:1: [target] has no direction_tolerance_deg, give direction_tolerance_deg, a number"},
    {"a tip longer than the segment", "tip_rigid_mm = 3.0", "tip_rigid_mm = 120.0",
     "scene.toml:26:16: segment.tip_rigid_mm is 120, the whole segment of 100 mm, give a tip span shorter "
     "than the segment"},
    {"a curvature per metre", "curvature_max_per_mm = 0.04", "curvature_max_per_mm = 40",
     "scene.toml:27:24: segment.curvature_max_per_mm is 40, a bend tighter than the body's own radius of 1.5 "
     "mm, give a "
     "curvature below 1 / radius_mm"},
    {"more disks than a tendon could pass", "disk_spacing_mm = 0.0", "disk_spacing_mm = 0.05",
     "scene.toml:62:19: tendons.disk_spacing_mm is 0.05, give 0 or a number from 0.1 to 5000 mm"},
    {"locks out of order", "[33.0, 67.0]", "[67.0, 33.0]",
     "scene.toml:48:14: layout.2, with 2 locks: lock 2 at station 33 mm is not beyond lock 1 at 67 mm, give "
     "stations from the base "
     "to the tip, "
     "each beyond the one before"},
    {"a lock on top of the tip", "station_mm = [50.0]", "station_mm = [96.0]",
     "scene.toml:44:14: layout.1, with 1 lock: the body of lock 1 (94 to 98 mm) overlaps the rigid tip, give "
     "it a station of at "
     "most 95 mm"},
    {"a station too few", "[33.0, 67.0]", "[33.0]",
     "scene.toml:48:14: layout.2.station_mm has 1 station, give 2"},
    {"a clocking too few", "clock_deg = [0.0, 90.0]", "clock_deg = [0.0]",
     "scene.toml:49:13: layout.2, with 2 locks: 1 clocking angle for 2 stations, give one clocking angle for "
     "each station"},
    {"a ninth lock", "use = 1", "use = 9", "scene.toml:41:7: layout.use is 9, give a lock count from 0 to 8"},
    {"a layout for no count", "[layout.2]", "[layout.two]",
     "scene.toml:47:1: unknown key layout.two, name a layout by its lock count, from 1 to 8"},
    {"locks without their hardware",
     "[lock]\nbody_length_mm = 4.0\nbody_radius_mm = 1.8\nmagnet_Am2 = 0.004\nangle_free_deg = "
     "0.0\nangle_latched_deg = "
     "90.0\nswitch_torque_Nmm = 0.01\nhold_torque_Nmm = 0.004\nhold_moment_Nmm = 60.0\n",
     "", "scene.toml:32:7: 1 lock without [lock], so the hardware is unknown, add the table [lock]"},
    {"a lock thinner than the segment", "body_radius_mm = 1.8", "body_radius_mm = 1.2",
     "scene.toml:32:18: lock.body_radius_mm is 1.2, thinner than the segment, whose radius_mm is 1.5, give "
     "at least 1.5: a lock body is as thick as the segment or thicker"},
    {"a window wider than the play", "backlash_mm = 0.02", "backlash_mm = 0.01",
     "scene.toml:55:20: latch.engage_window_mm is 0.02, more than the backlash_mm of 0.01: the latch does "
     "not pull "
     "the body onto a notch, give at most backlash_mm, how far a latched backbone may still move"},
    {"a hunt that reaches the next notch", "hunt_mm = 0.1", "hunt_mm = 0.23",
     "scene.toml:57:11: latch.hunt_mm is 0.23, which with the engage window of 0.02 mm reaches half way to "
     "the "
     "next notch, 0.5 mm away, keep hunt_mm + engage_window_mm below half of notch_pitch_mm"},
    {"a hunt for no notch", "notch_pitch_mm = 0.5", "notch_pitch_mm = 0",
     "scene.toml:57:11: latch.hunt_mm is 0.1, but a friction lock has no notch to hunt for, leave it out, or "
     "give "
     "notch_pitch_mm"},
    {"a backbone outside the body", "backbone_radius_mm = 1.2", "backbone_radius_mm = 1.6",
     "scene.toml:53:22: latch.backbone_radius_mm is 1.6, outside the body, whose segment.radius_mm is 1.5, "
     "give at "
     "most 1.5, or a thicker body"},
    {"tendons outside the body", "\nradius_mm = 1.2", "\nradius_mm = 1.51",
     "scene.toml:60:13: tendons.radius_mm is 1.51, outside the body, whose segment.radius_mm is 1.5, give at "
     "most 1.5, or a thicker body"},
    {"one tendon", "angles_deg = [0.0, 90.0, 180.0, 270.0]", "angles_deg = [0.0]",
     "scene.toml:61:14: tendons.angles_deg names 1 tendon, give two tendons for bends in one plane, three or "
     "more for "
     "bends in space"},
    {"skew coils", "[[1, 0, 0], [0, 1, 0], [0, 0, 1]]", "[[1, 0, 0], [1, 1, 0], [0, 0, 1]]",
     "scene.toml:76:13: field.coil_axes are not at right angles to one another and of length 1, give three "
     "orthonormal axes"},
    {"no reserve to speak of", "reserve_wanted = 1.5", "reserve_wanted = 0.9",
     "scene.toml:77:18: field.reserve_wanted is 0.9, give 1 or more: below 1 a switch is not allowed"},
    {"an ambient field below zero", "ambient_mT = 0.05", "ambient_mT = -0.05",
     "scene.toml:78:14: field.ambient_mT is -0.05, give 0 or a number above 0"},
    {"an ambient field of two numbers", "ambient_mT = 0.05", "ambient_mT = [0.02, 0.03]",
     "scene.toml:78:14: field.ambient_mT has 2 numbers, give three numbers [x, y, z]"},
    {"coils beside a uniform field", "ambient_mT = 0.05\n",
     "[[field.coil]]\ncentre_mm = [0, 0, 0]\naxis = [0, 0, 1]\nradius_mm = 150\nturns = 200\n",
     "scene.toml:75:17: field.coil_mT_per_A stands beside [[field.coil]], give coils with their places, or a "
     "uniform field's constants and axes"},
    {"a coil without its turns",
     "coil_mT_per_A = [1.8, 1.8, 1.8]\ncoil_axes = [[1, 0, 0], [0, 1, 0], [0, 0, 1]]\nreserve_wanted = "
     "1.5\nambient_mT = 0.05\n",
     "[[field.coil]]\ncentre_mm = [0, 0, 0]\naxis = [0, 0, 1]\nradius_mm = 150\n",
     "scene.toml:75:1: [field.coil[0]] has no turns, give turns, a number"},
    {"a coil of no radius",
     "coil_mT_per_A = [1.8, 1.8, 1.8]\ncoil_axes = [[1, 0, 0], [0, 1, 0], [0, 0, 1]]\nreserve_wanted = "
     "1.5\nambient_mT = 0.05\n",
     "[[field.coil]]\ncentre_mm = [0, 0, 0]\naxis = [0, 0, 1]\nradius_mm = 0\nturns = 200\n",
     "scene.toml:78:13: field.coil[0].radius_mm is 0, give a number from 0.1 to 10000 mm"},
    {"a coil whose axis has no length",
     "coil_mT_per_A = [1.8, 1.8, 1.8]\ncoil_axes = [[1, 0, 0], [0, 1, 0], [0, 0, 1]]\nreserve_wanted = "
     "1.5\nambient_mT = 0.05\n",
     "[[field.coil]]\ncentre_mm = [0, 0, 0]\naxis = [0, 0, 0]\nradius_mm = 150\nturns = 200\n",
     "scene.toml:77:8: field.coil[0].axis has no length, give the direction of the coil's axis"},
    {"a coil's letter used twice", "[\"X\", \"Y\", \"V\"]", "[\"X\", \"Y\", \"A\"]",
     "scene.toml:83:20: actuation.coils[2] is \"A\", a letter that another axis has, give each axis a letter "
     "of its "
     "own"},
    {"a coil's letter too few", "[\"X\", \"Y\", \"V\"]", "[\"X\", \"Y\"]",
     "scene.toml:83:9: actuation.coils has 2 letters for 3 coils, give one letter for each coil of [field], "
     "or leave "
     "the key out"},
    {"a letter used twice", "[\"A\", \"B\", \"C\", \"U\"]", "[\"A\", \"B\", \"Z\", \"U\"]",
     "scene.toml:82:22: actuation.tendons[2] is \"Z\", a letter that another axis has, give each axis a "
     "letter of its own"},
    {"a letter that is no axis", "advance = \"Z\"", "advance = \"Q\"",
     "scene.toml:81:11: actuation.advance is \"Q\", no axis letter of ISO 6983, give one of X, Y, Z, A, B, "
     "C, U, V, W"},
    {"a letter too few", "[\"A\", \"B\", \"C\", \"U\"]", "[\"A\", \"B\", \"C\"]",
     "scene.toml:82:11: actuation.tendons has 3 letters for 4 tendons, give one letter for each angle of "
     "[tendons]"},
    {"gravity without a direction", "gravity = [0.0, -1.0, 0.0]", "gravity = [0.0, 0.0, 0.0]",
     "scene.toml:89:11: elastic.gravity has no length, give the direction that weights fall in"},
    {"a weight below nothing", "mass_g_per_mm = 0.02", "mass_g_per_mm = -0.02",
     "scene.toml:87:17: elastic.mass_g_per_mm is -0.02, give a number from 0 to 10000 g per mm"},
    {"a tendon that gives without end", "tendon_EA_N = 6283.0", "tendon_EA_N = 0.0",
     "scene.toml:90:15: elastic.tendon_EA_N is 0, give a number from 1 to 1e+09 N"},
    {"an elastic table without its twist", "torsional_rigidity_Nmm2 = 320.0\n", "",
     "scene.toml:86:1: [elastic] has no torsional_rigidity_Nmm2, give torsional_rigidity_Nmm2, a number"},
    {"standing motors that the carriage runs past",
     "motors = \"ride\"\n\n[carriage]\nkind = \"free\"\ninsertion_max_mm = 160.0",
     "motors = \"stand\"\n\n[carriage]\nkind = \"free\"\ninsertion_max_mm = 400.0",
     "scene.toml:91:20: elastic.tendon_length_mm is 300: at the most insertion nothing is left of a tendon "
     "to a "
     "motor that stands, give more than insertion_max_mm less length_mm"},
    {"a mesh that is not there", "tube.off", "pipe.off",
     "scene.toml:4:8: the mesh pipe.off can't be read, give the path of a mesh, seen from the scene's "
     "folder"},
    {"a target outside the channel", "[0.0, 0.0, 60.0]", "[0.0, 10.0, 60.0]",
     "scene.toml:15:12: the target lies 2.000 mm outside the channel, give a point inside its lumen; the "
     "nearest "
     "where the tip fits is [0.024, 6.274, 59.985]"},
    {"an opening too small for the body",
     "radius_mm = 1.5\ntip_rigid_mm = 3.0\ncurvature_max_per_mm = 0.04\nflexural_rigidity_Nmm2 = "
     "900.0\n\n[lock]\nbody_length_mm = 4.0\nbody_radius_mm = 1.8",
     "radius_mm = 7.8\ntip_rigid_mm = 3.0\ncurvature_max_per_mm = 0.04\nflexural_rigidity_Nmm2 = "
     "900.0\n\n[lock]\nbody_length_mm = 4.0\nbody_radius_mm = 7.8",
     "scene.toml:9:12: the wall is 7.932 mm from the entry point, too near for a body of "
     "radius 7.8 mm with 0.2 mm of clearance, give a point in the middle of a wide enough "
     "opening"},
    {"an entry beside the mesh", "point_mm = [0.0, 0.0, 0.0]", "point_mm = [30.0, 0.0, 0.0]",
     "scene.toml:9:12: the mesh has no opening at the entry point: the nearest hole, of "
     "radius 7.977 mm about (0.000, 0.000, 0.000) mm, reaches 38.000 mm from point_mm, and "
     "opening_radius_mm is 8, put point_mm in the middle of the opening, make "
     "opening_radius_mm reach its rim, and check the mesh's unit"},
    {"an axis that points out", "axis = [0.0, 0.0, 1.0]", "axis = [0.0, 0.0, -1.0]",
     "scene.toml:10:8: the entry axis does not point into the lumen: (0.000, 0.000, -0.100) "
     "mm, 0.1 mm past the entry point, is outside, turn axis to point into the lumen, and put "
     "point_mm within the opening"},
    {"an entry before the opening", "point_mm = [0.0, 0.0, 0.0]", "point_mm = [0.0, 0.0, -5.0]",
     "scene.toml:9:12: the mesh has no opening at the entry point: the nearest hole, of "
     "radius 7.977 mm about (0.000, 0.000, 0.000) mm, lies 5.000 to 5.000 mm along the axis, "
     "and the entry's may be 0.5 mm off the entry plane at most, put point_mm on the opening, "
     "point axis into the lumen, and make opening_radius_mm reach the opening's rim"},
    {"a mesh in the wrong unit", "unit = \"mm\"", "unit = \"m\"",
     "scene.toml:9:12: the mesh has no opening at the entry point: the nearest hole, of "
     "radius 7977.173 mm about (0.000, 0.000, 0.000) mm, reaches 8000.000 mm from point_mm, "
     "and opening_radius_mm is 8, put point_mm in the middle of the opening, make "
     "opening_radius_mm reach its rim, and check the mesh's unit"},
};

struct BrokenMesh {
  const char* file;  ///< in tests/assets/meshes/broken, whose README says what is wrong with each
  const char* line;
};

const BrokenMesh kBrokenMeshes[] = {
    {"behind-the-plane.off",
     "scene.toml:10:8: the entry axis does not point into the lumen: (0.000, 0.000, 0.100) "
     "mm, 0.1 mm past the entry point, is outside, turn axis to point into the lumen, and put "
     "point_mm within the opening"},
    {"block.step",
     "block.step:1:1: \".step\" is no mesh format that withy knows, give a mesh file that "
     "ends in .stl, .obj, .ply or .off"},
    {"crosses-itself.off",
     "crosses-itself.off:1:1: faces of the mesh cross one another: 8 pairs of faces, the "
     "first at (0.667, -0.667, 0.000) mm, mend it by withy scene MESH -o DIR, with --wrap MM where that is "
     "not enough"},
    {"cut-short-binary.stl",
     "cut-short-binary.stl:1:1: this binary STL file should have 12 triangles in 684 bytes "
     "but ends after 400, copy or export the file whole"},
    {"cut-short-text.stl",
     "cut-short-text.stl:79:19: the file ends within face 12, copy or export the file whole"},
    {"cut-short.off",
     "cut-short.off:22:1: the file ends before face 12 of 12, copy or export the file whole"},
    {"cut-short.ply", "cut-short.ply:1:1: the file ends within face 11 of 12, copy or export the file whole"},
    {"decimal-comma.obj", "decimal-comma.obj:2:3: \"2,0\" is not a number, give a coordinate such as 12.5"},
    {"empty.stl", "empty.stl:1:1: this mesh has no triangles, export a mesh with at least one triangle"},
    {"far-from-entry.off",
     "scene.toml:9:12: the mesh has no opening at the entry point: it has no hole, and no "
     "face wholly within 2.9 mm of (0.000, 0.000, 0.000) mm and 0.5 mm of the entry plane "
     "looks back along the axis; the mesh spans (48.000, -2.000, 0.000) mm to (52.000, 2.000, "
     "10.000) mm, put point_mm on the opening, point axis into the lumen, and make "
     "opening_radius_mm reach the opening's rim, and check the mesh's unit"},
    {"five-corners.off",
     "five-corners.off:11:1: face 1 has 5 corners, split the faces into triangles by "
     "withy scene MESH -o DIR, or before exporting"},
    {"four-corners.obj",
     "four-corners.obj:9:1: face 1 has 4 corners, split the faces into triangles by "
     "withy scene MESH -o DIR, or before exporting"},
    {"hole-beside-entry.off",
     "scene.toml:9:12: the mesh has no opening at the entry point: the nearest hole, of "
     "radius 2.546 mm about (3.000, 0.000, 0.000) mm, reaches 5.385 mm from point_mm, and "
     "opening_radius_mm is 2.9, put point_mm in the middle of the opening, make "
     "opening_radius_mm reach its rim, and check the mesh's unit"},
    {"in-metres.off",
     "scene.toml:9:12: the mesh has no opening at the entry point: every face lies within the "
     "opening, so that no wall is left, make opening_radius_mm that of the opening, and check "
     "the mesh's unit"},
    {"inner-wall.off",
     "inner-wall.off:1:1: the mesh is not the skin of a solid: 4 edges have three or more "
     "faces, the first at (0.000, 0.000, 0.000) mm, part its sheets by withy scene MESH -o DIR, or wrap it "
     "in a new skin by --wrap MM there"},
    {"no-area.off",
     "no-area.off:1:1: the mesh has no triangle with an area, enlarge it by withy scene MESH -o DIR --scale "
     "FACTOR"},
    {"no-corners.ply",
     "no-corners.ply:7:9: the faces have no list of corners, write property list uchar int "
     "vertex_indices"},
    {"no-such-vertex.obj",
     "no-such-vertex.obj:20:7: face 12 names a vertex that is not there, name one of the 8 "
     "vertices"},
    {"no-triangles.stl",
     "no-triangles.stl:1:1: this mesh has no triangles, export a mesh with at least one "
     "triangle"},
    {"not-a-mesh.stl",
     "not-a-mesh.stl:1:1: \"Dear\" has no place between facets, start the file with solid, or give it the "
     "ending of its own format, .obj, .ply or .off"},
    {"not-finite.obj",
     "not-finite.obj:7:5: vertex 7 has a coordinate that is not a finite number, export the "
     "mesh again with finite coordinates"},
    {"not-finite.stl",
     "not-finite.stl:1:1: vertex 9 has a coordinate that is not a finite number, export the "
     "mesh again with finite coordinates"},
    {"one-sided-band.off",
     "one-sided-band.off:1:1: the mesh has no inside and outside: along 1 edge the two faces "
     "can't agree which side is out, wrap it in a skin that has both by withy scene MESH -o DIR --wrap MM"},
    {"only-an-entry.off",
     "scene.toml:9:12: the mesh has no opening at the entry point: every face lies within the "
     "opening, so that no wall is left, make opening_radius_mm that of the opening, and check "
     "the mesh's unit"},
    {"opening-beyond-plane.off",
     "scene.toml:9:12: the opening lies beyond the entry plane: by 0.3000 mm, move point_mm "
     "0.3000 mm along axis, to (0.000, 0.000, 0.300) mm"},
    {"points-only.ply",
     "points-only.ply:1:1: this mesh has no triangles, export a mesh with at least one "
     "triangle"},
    {"spike-through-hole.off",
     "spike-through-hole.off:1:1: a hole of the mesh can't be closed: the face that would "
     "close it crosses the mesh at (0.000, -0.333, 4.000) mm, cut it off flat by withy scene MESH -o DIR "
     "--cut X Y Z NX NY NZ, or close it by --close-below MM there"},
    {"too-many-vertices.off",
     "too-many-vertices.off:2:1: the file is too short for 4000000000 vertices or faces, give "
     "the number it has"},
    {"touching-in-a-point.off",
     "touching-in-a-point.off:1:1: the mesh is not the skin of a solid: at 1 vertex parts of "
     "the surface touch in one point, the first at (2.000, 2.000, 10.000) mm, part them by withy scene MESH "
     "-o DIR, which keeps the largest or the one at --keep-at X Y Z"},
    {"two-shells.off",
     "two-shells.off:1:1: the mesh is in several pieces: there are 2, the smallest of 12 "
     "triangles at (-2.000, -2.000, 0.000) mm, take one by withy scene MESH -o DIR: the largest, or the one "
     "at --keep-at X Y Z"},
    {"whole-number-coordinates.ply",
     "whole-number-coordinates.ply:4:14: coordinate x is not float or double, write property "
     "float"},
    {"word-for-a-number.obj",
     "word-for-a-number.obj:2:5: \"minus2\" is not a number, give a coordinate such as 12.5"},
};

}  // namespace

TEST_CASE("a broken scene is refused with one exact line") {
  const std::string text = read_text(kAssets / "scenes/full.toml");
  for (const BrokenScene& broken : kBrokenScenes) {
    INFO(broken.what);
    TemporaryFolder folder;
    write_text(folder.path() / "tube.off", read_text(kAssets / "scenes/tube.off"));
    write_text(folder.path() / "scene.toml", replaced(text, broken.passage, broken.instead));
    check_refusal(folder, broken.line);
  }
}

TEST_CASE("more disks than are followed are refused") {
  std::string text = read_text(kAssets / "scenes/full.toml");
  text = replaced(text, "\nlength_mm = 100.0", "\nlength_mm = 125.0");
  TemporaryFolder folder;
  write_text(folder.path() / "tube.off", read_text(kAssets / "scenes/tube.off"));
  write_text(folder.path() / "scene.toml", replaced(text, "disk_spacing_mm = 0.0", "disk_spacing_mm = 0.1"));
  check_refusal(
      folder,
      "scene.toml:62:19: tendons.disk_spacing_mm is 0.1 on a segment of 125 mm, give at least 0.125 "
      "mm, or 0 for continuous routing");
}

TEST_CASE("a broken mesh is refused with one exact line") {
  // The broken meshes are spoilt blocks of 4 x 4 x 10 mm on the entry plane.
  std::string text = read_text(kAssets / "scenes/full.toml");
  text = replaced(text, "[0.0, 0.0, 60.0]", "[0.0, 0.0, 5.0]");
  text = replaced(text, "opening_radius_mm = 8.0", "opening_radius_mm = 2.9");
  for (const BrokenMesh& broken : kBrokenMeshes) {
    INFO(broken.file);
    TemporaryFolder folder;
    std::filesystem::copy(kAssets / "meshes/broken" / broken.file, folder.path());
    write_text(folder.path() / "scene.toml", replaced(text, "tube.off", broken.file));
    check_refusal(folder, broken.line);
  }
}

TEST_CASE("every broken mesh is put to the program") {
  std::size_t meshes = 0;
  for (const auto& entry : std::filesystem::directory_iterator(kAssets / "meshes/broken"))
    if (entry.path().extension() != ".md") ++meshes;
  CHECK(meshes == std::size(kBrokenMeshes));
}

TEST_CASE("a scene cut short anywhere is refused with one line") {
  const std::string text = read_text(kAssets / "scenes/full.toml");
  for (std::size_t size = 0; size + 2 < text.size(); size += 97) {
    CAPTURE(size);
    TemporaryFolder folder;
    write_text(folder.path() / "tube.off", read_text(kAssets / "scenes/tube.off"));
    write_text(folder.path() / "scene.toml", text.substr(0, size));
    const ProgramRun run = run_program(WITHY_PROGRAM, {"check", "scene.toml"}, folder.path());
    // From [latch] on, what is left of the file is a scene wherever a table ends.
    if (run.status == 0) {
      CHECK(text.substr(0, size).find("[carriage]") != std::string::npos);
      continue;
    }
    CHECK(run.status == 2);
    CHECK(run.err.starts_with("scene.toml:"));
    CHECK(std::count(run.err.begin(), run.err.end(), '\n') == 1);
    CHECK(run.out.empty());
  }
}

TEST_CASE("wrong arguments are refused with one line and status 2") {
  struct Wrong {
    std::vector<std::string> arguments;
    const char* line;
  };
  const Wrong wrong[] = {
      {{}, "withy: a command is missing; withy --help lists what there is"},
      {{"chek"}, "withy: there is no command chek; withy --help lists what there is"},
      {{"check"}, "withy check: SCENE is required; withy check --help lists what there is"},
      {{"check", "--verbose", "scene.toml"},
       "withy check: The following argument was not expected: --verbose; withy check --help lists what there "
       "is"},
      {{"check", "nothing.toml"},
       "nothing.toml:1:1: the file can't be read, give the path of a readable file"},
      {{"check", "."}, ".:1:1: the file can't be read, give the path of a readable file"},
  };
  for (const Wrong& w : wrong) {
    TemporaryFolder folder;
    const ProgramRun run = run_program(WITHY_PROGRAM, w.arguments, folder.path());
    CHECK(run.status == 2);
    CHECK(run.err == std::string(w.line) + "\n");
    CHECK(run.out.empty());
    CHECK(folder.listing().empty());
  }
}

TEST_CASE("a sound scene is described and nothing is written") {
  TemporaryFolder folder;
  std::filesystem::copy(kAssets / "scenes/full.toml", folder.path() / "scene.toml");
  std::filesystem::copy(kAssets / "scenes/tube.off", folder.path());
  const auto before = folder.listing();
  const ProgramRun run = run_program(WITHY_PROGRAM, {"check", "scene.toml", "--quiet"}, folder.path());
  CHECK(run.status == 0);
  CHECK(run.err.empty());
  // 5 rings of 24 and one vertex; 4 x 48 + 24 triangles and a cap of 22.
  CHECK_THAT(run.out, Catch::Contains("121 vertices, 238 triangles"));
  // The apothem of a 24-gon of circumradius 8: 8 cos(7.5 degrees) = 7.93.
  CHECK_THAT(run.out, Catch::Contains("7.93 mm of room about the entry point"));
  CHECK(folder.listing() == before);
}

namespace {

/// What `withy check` prints of full.toml with some passages replaced.
std::string checked(std::vector<std::pair<std::string, std::string>> changes) {
  std::string text = read_text(kAssets / "scenes/full.toml");
  for (const auto& [passage, instead] : changes) text = replaced(text, passage, instead);
  TemporaryFolder folder;
  write_text(folder.path() / "tube.off", read_text(kAssets / "scenes/tube.off"));
  write_text(folder.path() / "scene.toml", text);
  const ProgramRun run = run_program(WITHY_PROGRAM, {"check", "scene.toml", "--quiet"}, folder.path());
  CHECK(run.status == 0);
  return run.out;
}

}  // namespace

TEST_CASE("locks that never switch and locks too near are said before any search, with what would do") {
  using Catch::Contains;
  CHECK_THAT(checked({{"angle_latched_deg = 90.0", "angle_latched_deg = 180.0"}}),
             Contains("turn by 180 deg between their stops") && Contains("less than 180 deg apart"));
  // (2.5 + 0.05) sqrt 2 = 3.606 mT for one lock, whatever the bend.
  CHECK_THAT(checked({{"strength_max_mT = 10.0", "strength_max_mT = 3.6"}}),
             Contains("with 3.6 mT, which field.strength_max_mT is") && Contains("a limit of 3.61 mT, or "));
  CHECK_THAT(checked({{"strength_max_mT = 10.0", "strength_max_mT = 3.61"}}),
             Contains("no fault found; run plan"));
  // Clocked 90 degrees apart: mu0 m^2 / (4 pi r^3) = 0.01756 N mm at 4.5 mm, so 4.5 cbrt(0.01756 / 0.004) mm.
  CHECK_THAT(checked({{"use = 1", "use = 2"}, {"[33.0, 67.0]", "[33.0, 37.5]"}}),
             Contains("stops a plan") && Contains("locks 1 and 2 sit 4.50 mm apart") &&
                 Contains("0.0176 N mm") && Contains("a spacing of 7.37 mm would do"));
  CHECK_THAT(checked({{"use = 1", "use = 2"}, {"[33.0, 67.0]", "[33.0, 40.4]"}}),
             Contains("no fault found; run plan"));
  // The count in use is 1, where nothing is amiss.
  CHECK_THAT(checked({{"[33.0, 67.0]", "[33.0, 37.5]"}}),
             Contains("2 locks") && Contains("no plan: locks 1 and 2 sit 4.50 mm apart") &&
                 Contains("no fault found; run plan"));
  // No limit that a scene may give would do; 0.01 / (10 cos 45 deg - 0.05) = 0.001424 A m2.
  CHECK_THAT(checked({{"magnet_Am2 = 0.004", "magnet_Am2 = 1e-9"}}),
             Contains("strength_max_mT is; lock.magnet_Am2 of 0.00143 would do"));
  // Nor is a magnet named that no scene may give: 0.05 / (0.0708 cos 45 deg - 0.05) is 800 A m2.
  CHECK_THAT(checked({{"strength_max_mT = 10.0", "strength_max_mT = 0.0708"},
                      {"switch_torque_Nmm = 0.01", "switch_torque_Nmm = 0.05"}}),
             Contains("strength_max_mT is; a limit of 17.8 mT would do"));
  // An ambient field that takes all that the coils may make leaves nothing to any magnet.
  CHECK_THAT(checked({{"strength_max_mT = 10.0", "strength_max_mT = 2.0"},
                      {"ambient_mT = 0.05", "ambient_mT = 2.0"}}),
             Contains("a limit of 6.37 mT would do"));
}

TEST_CASE("a target that a tip meets before it goes in is said, with the nearest place that takes going in") {
  using Catch::Contains;
  // The tube goes along z from the plane z = 0; the tolerance is 2 mm.
  const std::string target = "point_mm = [0.0, 0.0, 60.0]";
  CHECK_THAT(checked({{target, "point_mm = [0.0, 0.0, 0.0]"}}),
             Contains("it lies on the entry plane, and its tolerance of 2 mm") &&
                 Contains("is in the channel to meet it, is [0.000, 0.000, 2.000]"));
  CHECK_THAT(checked({{target, "point_mm = [1.0, -2.0, 1.5]"}}),
             Contains("it lies 1.500 mm past the entry plane") && Contains("is [1.000, -2.000, 2.000]"));
  // Beside the wall, 7.93 mm from the middle or a little more, the nearest with 1.7 mm of room is farther in.
  const std::string beside = checked({{target, "point_mm = [7.5, 0.0, 0.5]"}});
  CHECK_THAT(beside, Contains("it lies 0.500 mm past") && Contains("is [6.") && Contains(", 2.0") &&
                         Contains("the tip can't stand at the point itself"));
  CHECK_THAT(checked({{target, "point_mm = [0.0, 0.0, 2.0]"}}), !Contains("entry plane"));
  // No place so deep, in a tube of 100 mm with a closed end.
  CHECK_THAT(checked({{target, "point_mm = [0.0, 0.0, 0.0]"}, {"tolerance_mm = 2.0", "tolerance_mm = 99.0"}}),
             Contains("give a smaller tolerance"));
  // In front of the plane it is the plane that counts, not the rim.
  TemporaryFolder folder;
  write_text(folder.path() / "tube.off", read_text(kAssets / "scenes/tube.off"));
  write_text(folder.path() / "scene.toml",
             replaced(read_text(kAssets / "scenes/full.toml"), target, "point_mm = [0.0, 0.0, -0.5]"));
  check_refusal(
      folder,
      "scene.toml:15:12: the target lies 0.500 mm in front of the entry plane, outside the channel, "
      "give a point inside its lumen; the nearest where the tip fits is [0.000, 0.000, 2.000]");
}

TEST_CASE("a start that breaks a limit is no plan, even where it is at the target") {
  using Catch::Contains;
  std::string text = read_text(kAssets / "scenes/full.toml");
  // The tip starts on the entry point; the magnets push each other off their stops.
  const std::pair<const char*, const char*> changes[] = {
      {"use = 1", "use = 2"},
      {"[33.0, 67.0]", "[33.0, 37.5]"},
      {"point_mm = [0.0, 0.0, 60.0]", "point_mm = [0.0, 0.0, 1.0]"}};
  for (const auto& [passage, instead] : changes) text = replaced(text, passage, instead);
  TemporaryFolder folder;
  write_text(folder.path() / "tube.off", read_text(kAssets / "scenes/tube.off"));
  write_text(folder.path() / "scene.toml", text);
  const ProgramRun run = run_program(WITHY_PROGRAM, {"plan", "scene.toml", "--quiet"}, folder.path());
  CAPTURE(run.out, run.err);
  CHECK((run.status == 3 || run.status == 4));
  CHECK_THAT(run.out, Contains("0.0176 N mm"));
}

TEST_CASE("every command explains itself with an example") {
  TemporaryFolder folder;
  const ProgramRun all = run_program(WITHY_PROGRAM, {"--help"}, folder.path());
  CHECK(all.status == 0);
  CHECK_THAT(all.out, Catch::Contains("check"));
  const ProgramRun check = run_program(WITHY_PROGRAM, {"check", "--help"}, folder.path());
  CHECK(check.status == 0);
  CHECK_THAT(check.out, Catch::Contains("Example:\n  withy check "));
}
